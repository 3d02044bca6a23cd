#!/usr/bin/env bash
# setup.sh GROUP...: sees to it that a Debian 12 or 13 machine has what the
# groups need. "build" is what compiling needs, "test" what the checks need on
# top, "engines" the other browsers, "desk" what the desk machine needs besides,
# "pipeline" what alerts are compared with. Only what is missing is installed, one line said for each; what would
# start a service is unpacked below .cache and not installed. A machine that
# has everything, Debian or not, is left alone.
set -euo pipefail
cd "$(dirname "$0")/../.."

# group | package | how to see that it is there, however it came | what for
packages='
build|ca-certificates|test -e /etc/ssl/certs/ca-certificates.crt -o -e /etc/pki/tls/certs/ca-bundle.crt|Go modules are fetched over https
build|gcc|command -v gcc|gousb is compiled by cgo
build|libc6-dev|test -e /usr/include/stdlib.h|the C headers that cgo compiles against
build|pkg-config|command -v pkg-config|tells cgo where libusb is
build|libusb-1.0-0-dev|pkg-config --exists libusb-1.0|USB enumeration (gousb) is compiled against it
build|npm|command -v npm|fetches what the scripts of the pages are made of
test|qemu-system-x86|command -v qemu-system-x86_64|emulates the machine in which a real kernel runs
test|strace|command -v strace|sees what the ledger writes and syncs, for simulated power cuts
test|chromium|command -v chromium || command -v chromium-browser || command -v google-chrome|shows a notification in a real browser
test|xz-utils|command -v xz|unpacks that kernel
engines|firefox-esr|command -v firefox-esr|shows the pages by another engine
engines|webkit2gtk-driver|command -v WebKitWebDriver && ls /usr/lib/*/webkit2gtk-4.*/MiniBrowser|shows them by the engine of Safari
engines|xvfb|command -v Xvfb|the screen that WebKit wants
desk|mmdebstrap|command -v mmdebstrap|makes the small Debian of the desk machine
desk|e2fsprogs|PATH=$PATH:/sbin:/usr/sbin command -v mke2fs|makes its disk
'

say() { echo "setup: $*"; }
die() {
	echo "setup: $*" >&2
	exit 1
}

# by_hand is what to tell a person who has to do it.
by_hand="apt-get update"

# as_root runs a command as root, or says why it cannot.
as_root() {
	if [ "$(id -u)" = 0 ]; then
		"$@"
	elif command -v sudo >/dev/null && { [ -t 0 ] || sudo -n true 2>/dev/null; }; then
		sudo "$@"
	else
		die "this needs root, and there is no sudo that works here; as root, run: $by_hand"
	fi
}

# quietly runs a command and shows what it said only if it failed.
quietly() {
	local log
	log=$(mktemp)
	if "$@" >"$log" 2>&1 </dev/null; then
		rm -f "$log"
		return 0
	fi
	cat "$log" >&2
	rm -f "$log"
	return 1
}

# update fetches the package lists, once.
updated=
update() {
	[ -n "$updated" ] && return
	updated=yes
	say "fetching the package lists"
	# A broken list of somebody else's is no reason to stop; what is missing
	# for it fails below.
	as_root apt-get -qq update </dev/null || true
}

there() { # PACKAGE PROBE
	[ "$(dpkg-query -W -f '${db:Status-Status}' "$1" 2>/dev/null)" = installed ] || bash -c "$2" >/dev/null 2>&1 </dev/null
}

missing=()
install_missing() { # GROUP...
	local group package probe reason
	while IFS='|' read -r group package probe reason; do
		[[ -n $group && " $* " == *" $group "* ]] || continue
		there "$package" "$probe" && continue
		missing+=("$package")
		say "$package: $reason"
	done <<<"$packages"
	[ ${#missing[@]} = 0 ] && return
	command -v apt-get >/dev/null ||
		die "this is not Debian: install what these packages hold: ${missing[*]}"
	by_hand="apt-get update && apt-get install --no-install-recommends ${missing[*]}"
	update
	quietly as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -y install --no-install-recommends "${missing[@]}" ||
		die "apt-get install ${missing[*]} did not work: see above"
}

# with_lists runs a command that reads the package lists, and a second time
# with fresh ones if they are missing or too old.
with_lists() {
	quietly "$@" 2>/dev/null && return
	update
	quietly "$@"
}

# promtool is unpacked: in Debian 12 it comes with the server, which would be
# started; Debian 13 has it in a package of its own.
unpack_promtool() {
	local get=(apt-get -q -o APT::Sandbox::User=root download)
	rm -rf .cache/promtool &&
		mkdir -p .cache/promtool .cache/bin &&
		(cd .cache/promtool && { "${get[@]}" promtool || "${get[@]}" prometheus; }) &&
		dpkg -x .cache/promtool/*.deb .cache/promtool &&
		mv .cache/promtool/usr/bin/promtool .cache/bin/promtool &&
		rm -rf .cache/promtool
}

# Alertmanager is unpacked, too: installed, it would be started. Debian's reads
# its own templates from a fixed folder; in the unpacked one that path, of the
# same length, is made to mean the folder in which it is run.
unpack_alertmanager() {
	local from=.cache/alertmanager path=/usr/share/prometheus/alertmanager
	local here
	here=.$(printf '%*s' $((${#path} - 1)) '' | tr ' ' /)
	rm -rf "$from" &&
		mkdir -p "$from" .cache/bin &&
		(cd "$from" && apt-get -q -o APT::Sandbox::User=root download prometheus-alertmanager) &&
		dpkg -x "$from"/*.deb "$from" &&
		LC_ALL=C sed "s#$path#$here#g" "$from/usr/bin/prometheus-alertmanager" >"$from/alertmanager" &&
		chmod +x "$from/alertmanager" &&
		cp "$from$path"/*.tmpl .cache/bin/ &&
		mv "$from/alertmanager" .cache/bin/alertmanager &&
		rm -rf "$from"
}

# So is the Prometheus that bench-alert compares with.
unpack_prometheus() {
	local from=.cache/prometheus
	rm -rf "$from" &&
		mkdir -p "$from" .cache/bin &&
		(cd "$from" && apt-get -q -o APT::Sandbox::User=root download prometheus) &&
		dpkg -x "$from"/*.deb "$from" &&
		mv "$from/usr/bin/prometheus" .cache/bin/prometheus &&
		rm -rf "$from"
}

# pipeline fetches both.
pipeline() {
	if [ ! -x .cache/bin/prometheus ]; then
		say "prometheus: what alerts are compared with (unpacked into .cache, not installed)"
		with_lists unpack_prometheus || die "Prometheus did not come: see above"
	fi
	if [ ! -x .cache/bin/alertmanager ]; then
		say "prometheus-alertmanager: the same (unpacked into .cache, not installed)"
		with_lists unpack_alertmanager || die "Alertmanager did not come: see above"
	fi
}

download() {
	[ -x .cache/bin/promtool ] && [ -x .cache/bin/alertmanager ] && [ -d .cache/vm/kernel ] && return
	command -v apt-get >/dev/null || die "this is not Debian: promtool, Alertmanager and the kernel for the virtual machine" \
		"come from its archive; make race and make fuzz work without them"
	if [ ! -x .cache/bin/promtool ]; then
		say "promtool: checks the metrics page (unpacked into .cache, not installed)"
		with_lists unpack_promtool || die "promtool did not come: see above"
	fi
	if [ ! -x .cache/bin/alertmanager ]; then
		say "prometheus-alertmanager: takes alerts in a test (unpacked into .cache, not installed)"
		with_lists unpack_alertmanager || die "Alertmanager did not come: see above"
	fi
	if [ ! -d .cache/vm/kernel ]; then
		say "linux-image-amd64: the kernel for the virtual machine (unpacked into .cache, not installed)"
		with_lists internal/vmtest/prepare.sh .cache/vm || die "the kernel did not come: see above"
	fi
}

# In the module's folder Go itself says if it is too old, or fetches a newer one.
command -v go >/dev/null || die "Go is missing: install Go 1.26 or newer from https://go.dev/dl into /usr/local/go"
go version >/dev/null || die "Go is too old: install Go 1.26 or newer from https://go.dev/dl"

install_missing "$@"
if [[ " $* " == *" test "* ]]; then
	download
fi
if [[ " $* " == *" pipeline "* ]]; then
	pipeline
fi
if [[ " $* " == *" desk "* ]] && [ ! .cache/desk/root.ext4 -nt internal/vmtest/desk/root.sh ]; then
	say "the disk of the desk machine (into .cache, about a minute)"
	mkdir -p .cache/desk
	by_hand="internal/vmtest/desk/root.sh .cache/desk/root.ext4"
	quietly as_root internal/vmtest/desk/root.sh .cache/desk/root.ext4 || die "the disk did not come: see above"
fi
