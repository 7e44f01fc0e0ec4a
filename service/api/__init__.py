"""HTTP: one file per resource, views that load, ask, and answer."""
