-- A bay's posts in the order in which they were kept, whenever they were measured.
CREATE INDEX session_by_bay_as_kept ON session (bay_id, session_id);
