"""Old history in, everything out, and in again: beside the server, with a connection of its own, no HTTP.

`history_mapping`, `sheets`, `old_records`, `strap_downs` and `posting` read old spreadsheets through the ledger's own
post; `dictionary`, `export` and `restore` write the whole ledger to one file and read it back; `cells` is how both write
a table.
"""
