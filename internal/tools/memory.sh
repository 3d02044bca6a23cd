#!/usr/bin/env bash
# memory.sh BINARY [STATIONS [SECONDS [PERIOD]]]: how much memory and processor
# time a watch of simulated stations takes, ten readings a second each. The
# supplies are simulated by another process; what is measured is run alone. With a
# period, such as 10ms, it is that between two readings, and a ledger is kept
# instead of files.
set -euo pipefail

bin=$1 stations=${2:-40} seconds=${3:-60} period=${4:-}
work=$(mktemp -d)
pids=()
finish() {
	for pid in "${pids[@]}"; do kill "$pid" 2>/dev/null || true; done
	wait 2>/dev/null || true
	rm -rf "$work"
}
trap finish EXIT

"$bin" sim --stations "$stations" --page "127.0.0.1:$((20000 + RANDOM % 10000))" --profiles "$PWD/configs/profiles" >"$work/config.yaml" &
pids+=($!)
until grep -q "id: s$stations," "$work/config.yaml"; do sleep 0.1; done

keep=(--events "$work/events.jsonl" --record "$work/observations.jsonl")
if [ -n "$period" ]; then
	sed -i "s/supply: {/supply: {every: $period, /" "$work/config.yaml"
	keep=(--data "$work/data")
fi
"$bin" run --config "$work/config.yaml" "${keep[@]}" --log-level warn 2>"$work/log" &
watch=$!
pids+=("$watch")
sleep "$seconds"

ticks=$(awk '{print $14 + $15}' "/proc/$watch/stat")
hz=$(getconf CLK_TCK)
if [ -n "$period" ]; then
	port=$(sed -n 's/^listen: 127.0.0.1://p' "$work/config.yaml")
	exec 3<>"/dev/tcp/127.0.0.1/$port"
	printf 'GET /metrics HTTP/1.0\r\nHost: localhost\r\n\r\n' >&3
	readings=$(awk '/^benchvigil_ledger_readings_total/ {print int($2)}' <&3)
else
	readings=$(grep -c '"power"' "$work/observations.jsonl" || true)
fi
echo "$stations stations, $seconds s: $((readings / seconds)) readings/s"
awk '/VmRSS|VmHWM|RssAnon/ {printf "%s %.1f MiB\n", $1, $2 / 1024}' "/proc/$watch/status"
awk -v t="$ticks" -v hz="$hz" -v s="$seconds" 'BEGIN {printf "processor: %.1f %% of a core\n", 100 * t / hz / s}'
