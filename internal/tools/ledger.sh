#!/usr/bin/env bash
# ledger.sh: what the ledger takes of disk, processor and time, and what a
# Prometheus tsdb takes of disk and processor for the same readings; how soon a
# bench with a year of runs watches; what run takes at 100 readings/s.
set -euo pipefail

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

go test -run='^$' -bench=Block -benchtime=300ms ./internal/trace | grep ^Benchmark
BENCHVIGIL_READINGS=$work go test -run='^$' -bench=Store -benchtime=1x ./internal/ledger | grep ^Benchmark
for rate in 10 100; do
	printf '%d Hz: ' "$rate"
	go run -C internal/tools/tsdb . "$work/$rate.csv"
done
go test -run='^$' -bench='Event|Open' -benchtime=1000x ./internal/ledger | grep ^Benchmark
BENCHVIGIL_RESTART_DAYS=365 BENCHVIGIL_RESTART_MB=1000 go test -run='^$' -bench=Restart -benchtime=5x ./internal/app | grep ^Benchmark
internal/tools/memory.sh bin/benchvigil 40 60 10ms
