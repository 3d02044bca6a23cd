#!/bin/sh
# Fetches the kernel that the virtual machine of this package boots into the
# folder FOLDER/kernel: the image that linux-image-amd64 depends on (the cloud
# kernel has no USB), unpacked and never installed, about 70 MB to fetch and
# 400 MB unpacked. Works on Debian 12 and 13, without root; does nothing when
# the folder is there. Needs the package lists (apt-get update) and network.
#
# The test itself needs these packages as well:
#   qemu-system-x86    the emulated machine
#   libusb-1.0-0-dev   gousb (cgo), in the binary under test
#   pkg-config         finds libusb for cgo
#   xz-utils           unpacks the kernel and, on Debian 13, its modules
set -eu

if [ $# -ne 1 ]; then
	echo "usage: $0 FOLDER" >&2
	exit 1
fi
mkdir -p "$1"
cd "$1"
if [ -d kernel ]; then
	echo "kernel: $(cd kernel/boot && ls vmlinuz-*) is there"
	exit 0
fi

package=$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image-[0-9]/ {print $2; exit}')
if [ -z "$package" ]; then
	echo "$0: apt knows no linux-image-amd64: run apt-get update" >&2
	exit 1
fi
rm -rf new
mkdir new
trap 'rm -rf new' EXIT
# apt's download user may not write here; the check that it could is moot for
# a file that is only unpacked.
(cd new && apt-get -q -o APT::Sandbox::User=root download "$package")
dpkg -x new/*.deb new/kernel
mv new/kernel kernel
echo "kernel: $package unpacked"
