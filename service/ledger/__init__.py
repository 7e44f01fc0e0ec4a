"""The write side: one change, one transaction. Joins the pure domain and the store; knows no HTTP."""
