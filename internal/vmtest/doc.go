// Package vmtest boots a Debian kernel under QEMU with our binary as shipped
// and tests it on a real USB stack. It owns the host's half: the unpacked
// kernel, the order of its modules, the initramfs and the QEMU process. The
// other half is the program guest, which runs as the machine's PID 1, plays
// the bench and reports; package report is their common language. vmtest must
// not know what benchvigil concludes: that is the guest's to judge.
//
// TestVM needs the folder that prepare.sh made, named by BENCHVIGIL_VM:
//
//	internal/vmtest/prepare.sh .cache/vm
//	BENCHVIGIL_VM=$PWD/.cache/vm go test -count=1 -v -run TestVM ./internal/vmtest
//
// The machine has no network and needs no KVM and no root.
package vmtest
