#!/usr/bin/env bash
# stages.sh TARGET...: makes the targets in turn, says how long each took, and
# stops at the first that fails, naming it.
set -uo pipefail

# Setup comes first, so a test that lacks this tool fails instead of being skipped.
export BENCHVIGIL_MUST_TRACE=1

for stage in "$@"; do
	echo "== $stage"
	began=$SECONDS
	if ! "${MAKE:-make}" --no-print-directory "$stage"; then
		echo "stage $stage: FAILED after $((SECONDS - began)) s" >&2
		exit 1
	fi
	echo "stage $stage: $((SECONDS - began)) s"
done
echo "all stages passed: $SECONDS s"
