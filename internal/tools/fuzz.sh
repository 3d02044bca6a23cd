#!/usr/bin/env bash
# fuzz.sh TIME: runs every fuzz target of the module for TIME each, one after
# the other. Packages that link C code beyond the standard library are left
# out: a fault there is not Go's to find.
set -euo pipefail

time=$1
count=0

# once runs one target and says how it went: 0 fine, 1 a failing input or
# another fault, 2 the coordinator's own deadline.
once() { # PACKAGE TARGET
	local out
	# Minimizing every interesting input, by default for up to a minute,
	# would take most of a short run.
	if out=$(go test -run='^$' -fuzz="^$2\$" -fuzztime="$time" -fuzzminimizetime=1s "$1" 2>&1); then
		grep -E '^(ok|fuzz: elapsed)' <<<"$out" | tail -n 2
		return 0
	fi
	# Go 1.26 may report the end of -fuzztime itself as a failure
	# (https://go.dev/issue/75804).
	if grep -q 'context deadline exceeded' <<<"$out" && ! grep -qE 'Failing input|panic|\.go:[0-9]+:' <<<"$out"; then
		return 2
	fi
	printf '%s\n' "$out"
	return 1
}

fuzz() { # PACKAGE TARGET
	local rc=0
	once "$1" "$2" || rc=$?
	if [ $rc = 2 ]; then
		echo "$2: the run's own deadline was taken for a failure, once more"
		rc=0
		once "$1" "$2" || rc=1
	fi
	return $rc
}

list='{{range .TestGoFiles}}{{$.ImportPath}} {{$.Dir}}/{{.}}{{"\n"}}{{end}}{{range .XTestGoFiles}}{{$.ImportPath}} {{$.Dir}}/{{.}}{{"\n"}}{{end}}'
targets=$(go list -f "$list" ./... | while read -r package file; do
	if [ -n "$package" ]; then
		sed -nE "s,^func (Fuzz[A-Za-z0-9_]*)\(.*,$package \1,p" "$file"
	fi
done)

while read -r package target; do
	[ -n "$package" ] || continue
	if [ -n "$(go list -deps -test -f '{{if and .CgoFiles (not .Standard)}}{{.ImportPath}}{{end}}' "$package")" ]; then
		echo "$target: left out, $package links C code"
		continue
	fi
	echo "$target ($package)"
	fuzz "$package" "$target" </dev/null
	count=$((count + 1))
done <<<"$targets"

if [ "$count" = 0 ]; then
	echo "no fuzz target found" >&2
	exit 1
fi
echo "$count fuzz targets, $time each"
