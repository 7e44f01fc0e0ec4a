"""The bay's side: files in, a spool on disk, a sender that stops only when the ledger has said yes or no."""
