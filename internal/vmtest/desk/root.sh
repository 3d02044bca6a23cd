#!/bin/sh
# root.sh FILE: makes the disk of the desk machine, a small Debian with systemd,
# udev, logind and polkit, what benchvigil's package depends on, and nothing of
# benchvigil. Needs root, network, mmdebstrap and mke2fs; takes about a minute.
set -eu
PATH=$PATH:/usr/sbin:/sbin

if [ $# -ne 1 ]; then
	echo "usage: $0 FILE" >&2
	exit 1
fi
# The kernel in the machine is this computer's Debian's, so the rest is too.
. /etc/os-release
packages=systemd-sysv,udev,dbus,polkitd,kmod,sudo,libusb-1.0-0,usbutils,curl,less,nano,procps,bash-completion,man-db

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
root=$work/root
mmdebstrap --quiet --variant=minbase --include="$packages" --dpkgopt='path-exclude=/usr/share/locale/*' "$VERSION_CODENAME" "$root"

# The serial consoles are open to whoever holds them.
for tty in ttyS0 ttyS1; do
	dropin=$root/etc/systemd/system/serial-getty@$tty.service.d
	mkdir -p "$dropin"
	printf '[Service]\nExecStart=\nExecStart=-/sbin/agetty --autologin root --keep-baud 115200 - vt220\n' >"$dropin/open.conf"
done
wants=$root/etc/systemd/system
mkdir -p "$wants/getty.target.wants" "$wants/multi-user.target.wants"
ln -s /usr/lib/systemd/system/serial-getty@.service "$wants/getty.target.wants/serial-getty@ttyS1.service"
cat >"$root/etc/systemd/system/emulated-bench.service" <<'UNIT'
[Unit]
Description=Emulated boards and supplies
Before=getty.target

[Service]
Type=notify
ExecStart=/usr/local/bin/bench serve

[Install]
WantedBy=multi-user.target
UNIT
ln -s ../emulated-bench.service "$wants/multi-user.target.wants/emulated-bench.service"
# A serial line tells nobody how wide the terminal is; the host does.
cat >"$root/etc/profile.d/desk.sh" <<'PROFILE'
size=$(sed -n 's/.*desk\.size=\([0-9]*\)x\([0-9]*\).*/rows \1 cols \2/p' /proc/cmdline)
[ -t 0 ] && [ -n "$size" ] && stty $size
unset size
PROFILE
echo desk >"$root/etc/hostname"
printf '127.0.0.1 localhost desk\n::1 localhost\n' >"$root/etc/hosts"
cat >"$root/etc/motd" <<'MOTD'

A desk with an emulated bench. "bench" says what stands on it and how to move
it. The package and its README.md are in this folder.

MOTD
: >"$root/etc/machine-id"
rm -rf "$root"/var/lib/apt/lists/* "$root"/var/cache/apt/*

mkdir -p "$(dirname "$1")"
rm -f "$1.new"
mke2fs -q -t ext4 -d "$root" "$1.new" 4G
mv "$1.new" "$1"
