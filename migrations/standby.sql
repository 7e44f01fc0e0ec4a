-- Lets a standby in: a role that may copy the server and nothing else, and the line of pg_hba.conf that admits it.
-- Run once on the primary, as a superuser, by psql; the password comes from the file that the environment names.

\set ON_ERROR_STOP on
\set standby_password `cat "$BAYLEDGER_STANDBY_PASSWORD_FILE"`
SELECT :'standby_password' = '' AS missing \gset
\if :missing
    DO $$ BEGIN RAISE EXCEPTION 'the password of the standby is empty'; END $$;
\endif

CREATE ROLE bayledger_standby LOGIN REPLICATION PASSWORD :'standby_password';

SELECT current_setting('hba_file') AS hba_file \gset
\setenv HBA_FILE :hba_file
\! echo 'host replication bayledger_standby samenet scram-sha-256' >> "$HBA_FILE"
SELECT pg_reload_conf();
