#!/usr/bin/env bash
# with_postgres.sh COMMAND...: runs it with a PostgreSQL server of its own on loopback, whose URL is
# in TRUEPLATE_TEST_POSTGRES, and stops the server. Without PostgreSQL the command runs all the same
# and says "skipped" for its part.
set -euo pipefail

server=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -n 1 || true)
if [ -z "$server" ]; then
  exec "$@"
fi
folder=$(mktemp -d)
run=()
if [ "$(id -u)" -eq 0 ]; then
  # The server refuses to run as root.
  run=(setpriv --reuid=postgres --regid=postgres --clear-groups)
  chown postgres: "$folder"
fi
port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
stop() {
  "${run[@]}" "$server/pg_ctl" -D "$folder/data" -m immediate stop > /dev/null 2>&1 || true
  rm -rf "$folder"
}
trap stop EXIT
cd "$folder"
"${run[@]}" "$server/initdb" -D "$folder/data" -U tester --auth=trust --encoding=UTF8 --locale=C \
  > "$folder/log" 2>&1 || { cat "$folder/log" >&2; exit 1; }
"${run[@]}" "$server/pg_ctl" -D "$folder/data" -w -l "$folder/data/log" \
  -o "-p $port -c listen_addresses=127.0.0.1 -c unix_socket_directories=$folder/data" start > /dev/null
cd - > /dev/null
TRUEPLATE_TEST_POSTGRES="postgresql://tester@127.0.0.1:$port/postgres" "$@"
