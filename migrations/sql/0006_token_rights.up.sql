-- Tokens are made and ended by the schema's owner (`bayledger token`); the service looks them up. Whoever came to speak
-- through it could else make itself an admin's.
DO $$
BEGIN
    IF EXISTS (SELECT FROM pg_roles WHERE rolname = 'bayledger_service') THEN
        REVOKE INSERT, UPDATE ON token FROM bayledger_service;
    END IF;
END $$;

-- A token of scope post belongs to one bay, and only that one does. What is otherwise was not made by `bayledger token`, and
-- ends here; it stays in the table, so the constraint is held against what comes only.
UPDATE token SET revoked_at = now() WHERE revoked_at IS NULL AND (scope = 'post') <> (bay_id IS NOT NULL);
ALTER TABLE token ADD CONSTRAINT token_posts_for_its_bay CHECK ((scope = 'post') = (bay_id IS NOT NULL)) NOT VALID;
