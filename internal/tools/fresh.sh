#!/usr/bin/env bash
# fresh.sh: fails where the generated code of a page template (.templ) is not
# that of its source.
set -euo pipefail
cd "$(dirname "$0")/../.."
copy=$(mktemp -d)
trap 'rm -rf "$copy"' EXIT
find internal -name '*.templ' -print0 | xargs -0 cp --parents -t "$copy"
go tool -modfile=internal/tools/go.mod templ generate -path "$copy/internal" >/dev/null 2>&1 || {
	echo "a page template is wrong: run make generate" >&2
	exit 1
}
stale=0
while IFS= read -r file; do
	cmp -s "$copy/$file" "$file" && continue
	echo "$file is not that of its template: run make generate" >&2
	stale=1
done < <(cd "$copy" && find internal -name '*_templ.go')
exit $stale
