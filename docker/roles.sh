#!/bin/sh
# Run once by the image of PostgreSQL, when its volume is empty: two roles and the database of the record.
#
# rts_owner owns the tables and changes them in migrations. rts_service is what the service runs under: the migration
# step gives it what it needs on each table, and on the record that is reading, adding and erasing, nothing else.
set -eu

psql --no-psqlrc --quiet --set=ON_ERROR_STOP=1 --username="$POSTGRES_USER" --dbname=postgres \
  --set=owner_password="$OWNER_PASSWORD" --set=service_password="$SERVICE_PASSWORD" <<'SQL'
CREATE ROLE rts_owner LOGIN PASSWORD :'owner_password';
CREATE ROLE rts_service LOGIN PASSWORD :'service_password';
CREATE DATABASE rts OWNER rts_owner TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C';
REVOKE ALL ON DATABASE rts FROM PUBLIC;
GRANT CONNECT ON DATABASE rts TO rts_service;
SQL
