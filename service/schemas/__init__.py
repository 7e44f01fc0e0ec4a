"""JSON to records and back, units at the edge. No SQL and no HTTP here."""
