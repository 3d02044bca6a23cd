#!/usr/bin/env bash
# alert.sh [quick]: how long an alert takes from the bench to a webhook, with
# the ledger on disk before it is told, and how long a conventional pipeline
# takes in the same run. In full, n = 300 USB edges and 1,000 drops of 300 ms.
# Disk and processor should be left alone meanwhile.
set -euo pipefail
cd "$(dirname "$0")/../.."

internal/tools/setup.sh build pipeline
echo "load before: $(cut -d' ' -f1-3 /proc/loadavg), $(nproc) processors"
BENCHVIGIL_ALERT_BENCH=${1:-full} go test -count=1 -v -timeout 2h -run='^TestAlertBench$' ./internal/app | grep --line-buffered -v '^=== '
echo "load after: $(cut -d' ' -f1-3 /proc/loadavg)"
