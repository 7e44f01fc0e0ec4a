ALTER TABLE token DROP CONSTRAINT token_posts_for_its_bay;
DO $$
BEGIN
    IF EXISTS (SELECT FROM pg_roles WHERE rolname = 'bayledger_service') THEN
        GRANT INSERT, UPDATE ON token TO bayledger_service;
    END IF;
END $$;
