#!/usr/bin/env bash
# metrics.sh BENCHVIGIL PROMTOOL: runs the demo on a free port of this computer
# and lets promtool check its metrics page.
set -euo pipefail

dir=$(mktemp -d)
"$1" demo --listen 127.0.0.1:0 >"$dir/out" 2>"$dir/log" &
demo=$!
trap 'kill $demo 2>/dev/null || true; wait $demo 2>/dev/null || true; rm -rf "$dir"' EXIT

# page fetches the metrics without any tool that a fresh machine may lack.
page() { # PORT
	exec 3<>"/dev/tcp/127.0.0.1/$1"
	printf 'GET /metrics HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n' >&3
	sed '1,/^\r*$/d' <&3
	exec 3>&-
}

# Until every station has had readings there is little on the page to check.
for _ in $(seq 100); do
	if ! kill -0 $demo 2>/dev/null; then
		echo "the demo ended:" >&2
		cat "$dir/out" "$dir/log" >&2
		exit 1
	fi
	port=$(sed -nE 's,.*http://127\.0\.0\.1:([0-9]+).*,\1,p' "$dir/out" | head -n 1)
	if [ -n "$port" ] && page "$port" >"$dir/page" 2>/dev/null && grep -q '^benchvigil_mode{' "$dir/page"; then
		"$2" check metrics <"$dir/page"
		echo "promtool: $(grep -c '^benchvigil_' "$dir/page") samples of $(grep -c '^# TYPE benchvigil_' "$dir/page") metrics are fine"
		exit 0
	fi
	sleep 0.2
done
echo "the demo shows no metrics:" >&2
cat "$dir/out" "$dir/log" >&2
exit 1
