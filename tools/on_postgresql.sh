#!/bin/sh
# Runs a command beside a PostgreSQL server that lives as long as the command; libpq's variables (PGHOST, …) name it.
#
#   tools/on_postgresql.sh .venv/bin/python -m pytest -m "database and not sqlite"
#
# The server is Debian's, through pg_virtualenv of postgresql-common; it keeps nothing, so it need not wait for a disk.
set -eu

log=$(mktemp)
trap 'rm -f "$log"' EXIT
export BITTERN_TEST_POSTGRESQL=yes
# The server's own log goes to standard error at the end, a line for each database made: of no use to a reader.
status=0
pg_virtualenv -t -o fsync=off -o full_page_writes=off -o synchronous_commit=off -o log_min_messages=fatal \
    -o log_checkpoints=off -o jit=off -o autovacuum=off "$@" 2>"$log" || status=$?
[ "$status" = 0 ] || grep -Ev '^[0-9-]+ [0-9:.]+ [A-Z]+ \[' "$log" >&2 || true
exit "$status"
