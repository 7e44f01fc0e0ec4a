DROP INDEX session_by_bay_as_kept;
