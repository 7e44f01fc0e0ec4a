"""Backups of a whole ledger: taken, proved, thinned out, put back."""
