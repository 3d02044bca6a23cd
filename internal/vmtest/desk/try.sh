# What a technician does from the package to a watched station, and back, in the
# desk machine. The first thing that goes wrong ends it; the last line says how
# it went.
set -eu
step="the beginning"
trap '[ $? = 0 ] && echo "desk: all went well" || echo "desk: went wrong at: $step"' EXIT

begin() {
	step=$1
	echo "desk: $step"
}

# within SECONDS COMMAND: waits until the command succeeds.
within() {
	left=$1
	shift
	until "$@" >/dev/null 2>&1; do
		left=$((left - 1))
		[ "$left" -gt 0 ] || {
			echo "not within time: $*"
			benchvigil status || true
			journalctl -u benchvigil --no-pager -o cat | tail -n 15
			return 1
		}
		sleep 1
	done
}

# refused COMMAND: it must fail ("!" would not end the script).
refused() {
	if "$@"; then
		echo "should have failed: $*"
		return 1
	fi
}

shows() { # STATION TEXT: status shows the text in the station's line
	benchvigil status | grep "^$1 .*$2"
}

begin "install the package"
DEBIAN_FRONTEND=noninteractive apt-get -qq install ./benchvigil_*.deb
[ "$(systemctl is-enabled benchvigil || true)" = disabled ]

begin "enter a station for each kind of supply"
set -- --bench desk --profile invented-handset --yes
benchvigil enroll --station left --port 1-1 --supply tcp://127.0.0.1:5025 "$@"
benchvigil enroll --station middle --port 1-2 --supply serial:///dev/serial/by-id/usb-Invented_Supply_BV-S-1-if00 "$@"
benchvigil enroll --station right --port 1-3 --supply usbtmc:///dev/usbtmc0 "$@"

begin "start the service"
systemctl enable --now benchvigil
[ "$(ps -o user:32= -p "$(systemctl show -p MainPID --value benchvigil)")" = benchvigil ]

begin "see the boards that run"
for station in left middle right; do
	within 60 shows $station running
done

begin "keep the computer awake meanwhile"
within 120 sh -c 'systemd-inhibit --list --no-pager | grep "^benchvigil .*sleep:idle:handle-lid-switch"'

begin "see a board that dies, a cable that is out and a supply that is pulled"
bench board left off
bench unplug middle
bench supply right pulled
within 60 shows left off
within 60 shows middle "USB gone"
within 60 shows right "supply silent"

begin "see them come back"
bench board left running
bench plug middle
bench supply right answering
within 60 shows left running
within 60 sh -c '! benchvigil status | grep -q "USB gone\|supply silent"'

begin "mark, and read the page"
benchvigil mark left hands-on --for 1m
within 30 shows left "hands on"
curl -fsS http://127.0.0.1:8420/ | grep '<html' >/dev/null
curl -fsS http://127.0.0.1:8420/metrics | grep '^benchvigil_mode' >/dev/null
curl -fsS http://127.0.0.1:8420/metrics | grep '^benchvigil_ledger_trouble 0$' >/dev/null

begin "look into the past, and back it up"
benchvigil history | grep " left .*run.*dropped"
refused runuser -u nobody -- benchvigil history
benchvigil backup /root/bench.db
benchvigil ledger check

begin "reload, and refuse what is bad"
systemctl reload benchvigil
echo "odd: key" >>/etc/benchvigil/config.yaml
refused systemctl reload benchvigil
sed -i '/^odd:/d' /etc/benchvigil/config.yaml
systemctl reload benchvigil

begin "upgrade without a break"
pid=$(systemctl show -p MainPID --value benchvigil)
dpkg -i ./benchvigil_*.deb
[ "$(systemctl show -p MainPID --value benchvigil)" = "$pid" ]

begin "put a backup back"
systemctl stop benchvigil
benchvigil restore /root/bench.db
systemctl start benchvigil
within 60 shows left running
benchvigil history | grep " left .*run.*dropped"

begin "remove, and keep what was made"
apt-get -qq remove benchvigil
refused systemctl -q is-active benchvigil
[ -s /etc/benchvigil/config.yaml ]
[ -s /var/lib/benchvigil/ledger.db ]

begin "purge"
apt-get -qq purge benchvigil
for left in /etc/benchvigil /var/lib/benchvigil /var/lib/private/benchvigil; do
	[ ! -e "$left" ]
done
