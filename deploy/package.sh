#!/usr/bin/env bash
# package.sh FOLDER: builds the Debian package of this computer's architecture
# into FOLDER and prints its name. VERSION is the version; default is the newest
# tag, or the time of the commit where there is none.
set -euo pipefail
cd "$(dirname "$0")/.."
folder=$1

built=$folder/package
rm -rf "$built" "$folder"/benchvigil_*.deb
mkdir -p "$built"

# commit prints something about the commit, or what stands in for it where this
# is no clone.
commit() { git show -s --format="$1" HEAD 2>/dev/null || echo "$2"; }

version() {
	local tag
	if tag=$(git describe --tags --match 'v[0-9]*' 2>/dev/null); then
		tag=${tag#v}
		echo "${tag//-/+}" # 1.2-3-gabc is newer than 1.2, and no revision of it
		return
	fi
	echo "0~$(TZ=UTC0 git show -s --format=%cd --date=format-local:%Y%m%d.%H%M%S HEAD 2>/dev/null || echo unknown)"
}

VERSION=${VERSION:-$(version)}
ARCH=$(go env GOARCH)
SOURCE_DATE_EPOCH=$(commit %ct 0)
BUILT=$built
export VERSION ARCH SOURCE_DATE_EPOCH BUILT

go build -trimpath -ldflags "-s -w -X main.release=$VERSION" -o "$built/benchvigil" ./cmd/benchvigil

# The oldest C library that has what cgo's part asks for.
GLIBC=$(objdump -T "$built/benchvigil" | grep -o 'GLIBC_[0-9.]*' | sort -uV | tail -n 1)
GLIBC=${GLIBC#GLIBC_}
export GLIBC

for shell in bash zsh fish; do
	"$built/benchvigil" completion "$shell" >"$built/$shell"
done
"$built/benchvigil" man | gzip -9n >"$built/benchvigil.1.gz"

# What is compiled in comes with its licence.
licenses() {
	go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/benchvigil |
		sort -u | while read -r path version dir; do
		echo "== $path $version"
		find "$dir" -maxdepth 1 -type f \( -iname 'licen[cs]e*' -o -iname 'copying*' \) | sort | grep . >"$built/files" ||
			{ echo "package.sh: $path has no licence" >&2 && exit 1; }
		xargs cat <"$built/files"
		echo
	done
	echo "== Go $(go env GOVERSION)"
	cat "$(go env GOROOT)/LICENSE"
}
licenses | gzip -9n >"$built/licenses.gz"

deb=$folder/benchvigil_${VERSION}_$ARCH.deb
go tool -modfile=internal/tools/nfpm/go.mod nfpm package --config deploy/package.yaml --packager deb --target "$deb" >&2
rm -rf "$built"
echo "$deb"
