-- The ledger's two roles and its database, for a Postgres server of its own. Run as a superuser, by psql:
-- docker-compose.yml does so on the first start, install.sh each time, and service/local does the same for the embedded server.
--   psql -v ON_ERROR_STOP=1 -f migrations/roles.sql
-- Each password comes from the environment, or from the file that it names. It may be run again at any time: what was cut
-- off half-way is finished, and roles and passwords are again what stands here.

\set ON_ERROR_STOP on
\getenv owner_password BAYLEDGER_OWNER_PASSWORD
\getenv service_password BAYLEDGER_SERVICE_PASSWORD
\if :{?owner_password}
\else
    \set owner_password `cat "$BAYLEDGER_OWNER_PASSWORD_FILE"`
\endif
\if :{?service_password}
\else
    \set service_password `cat "$BAYLEDGER_SERVICE_PASSWORD_FILE"`
\endif

-- Postgres would take an empty one, and let the role in nowhere.
SELECT :'owner_password' = '' OR :'service_password' = '' AS missing \gset
\if :missing
    DO $$ BEGIN RAISE EXCEPTION 'a password is empty: see the top of migrations/roles.sql'; END $$;
\endif

SELECT NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'bayledger_owner') AS no_owner,
       NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'bayledger_service') AS no_service,
       NOT EXISTS (SELECT FROM pg_database WHERE datname = 'bayledger') AS no_database \gset

-- Owns the schema and migrates it; nothing else connects with it.
\if :no_owner
    CREATE ROLE bayledger_owner;
\endif
ALTER ROLE bayledger_owner LOGIN PASSWORD :'owner_password';

-- The running service: what it may touch is granted table by table in the migrations.
\if :no_service
    CREATE ROLE bayledger_service;
\endif
ALTER ROLE bayledger_service LOGIN PASSWORD :'service_password';
ALTER ROLE bayledger_service SET statement_timeout = '30s';
ALTER ROLE bayledger_service SET idle_in_transaction_session_timeout = '60s';
ALTER ROLE bayledger_service SET jit = off;

\if :no_database
    CREATE DATABASE bayledger OWNER bayledger_owner TEMPLATE template0 ENCODING 'UTF8';
\endif
REVOKE ALL ON DATABASE bayledger FROM public;
GRANT CONNECT, TEMPORARY ON DATABASE bayledger TO bayledger_service;

\connect bayledger
REVOKE CREATE ON SCHEMA public FROM public;
