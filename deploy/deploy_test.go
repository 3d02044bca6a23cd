package deploy_test

import (
	"cmp"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// run runs a tool and returns what it says.
func run(t *testing.T, ctx context.Context, name string, args ...string) (string, error) {
	t.Helper()
	b, err := exec.CommandContext(ctx, name, args...).CombinedOutput()
	return string(b), err
}

// systemdAnalyze is the tool, or the test is skipped.
func systemdAnalyze(t *testing.T) string {
	t.Helper()
	tool, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not here: the unit is not checked")
	}
	return tool
}

// mostExposure is the highest exposure level, of ten, that systemd-analyze
// security may find.
const mostExposure = 2.5

func TestUnitIsHardened(t *testing.T) {
	out, err := run(t, t.Context(), systemdAnalyze(t), "security", "--offline=true", "--no-pager", "benchvigil.service")
	if strings.Contains(out, "unrecognized option") {
		t.Skip("this systemd-analyze cannot look at a file: it is older than 250")
	}
	level := regexp.MustCompile(`Overall exposure level for benchvigil\.service: ([0-9.]+)`).FindStringSubmatch(out)
	if err != nil || level == nil {
		t.Fatalf("no exposure level, %v in\n%s", err, out)
	}
	if n, err := strconv.ParseFloat(level[1], 64); err != nil || n > mostExposure {
		t.Errorf("exposure level %s, %v; want at most %g\n%s", level[1], err, mostExposure, out)
	}
}

// The unit is sound to systemd's eye. The program is not installed where the
// tests run, so the test stands in for it.
func TestUnitVerifies(t *testing.T) {
	tool := systemdAnalyze(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	unit := filepath.Join(t.TempDir(), "benchvigil.service")
	text := strings.ReplaceAll(read(t, "benchvigil.service"), "/usr/bin/benchvigil", self)
	if err := os.WriteFile(unit, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := run(t, t.Context(), tool, "verify", "--man=no", unit)
	var ours []string
	for line := range strings.Lines(out) {
		if strings.Contains(line, "benchvigil.service") {
			ours = append(ours, line)
		}
	}
	if len(ours) > 0 || err != nil {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}

// What the program relies on is in the unit.
func TestUnitSaysWhatTheProgramNeeds(t *testing.T) {
	unit := "\n" + read(t, "benchvigil.service")
	for _, want := range []string{
		"Type=notify", "WatchdogSec=30", "Restart=on-failure", "RestartPreventExitStatus=3 5", "User=benchvigil", "DynamicUser=yes", "StateDirectory=benchvigil",
		"ExecReload=/bin/kill -HUP $MAINPID", "SupplementaryGroups=dialout",
		// The ledger is in the folder that systemd makes, where the commands look for it.
		"ExecStart=/usr/bin/benchvigil run --config /etc/benchvigil/config.yaml --data %S/benchvigil",
	} {
		if !strings.Contains(unit, "\n"+want+"\n") {
			t.Errorf("%s is missing", want)
		}
	}
	families := regexp.MustCompile(`\nRestrictAddressFamilies=(.*)`).FindStringSubmatch(unit)
	if families == nil || !slices.Equal(strings.Fields(families[1]), []string{"AF_UNIX", "AF_INET", "AF_INET6", "AF_NETLINK"}) {
		t.Errorf("address families %v; uevents need netlink, supplies the network, systemd a local socket", families)
	}
}

// The unit, sysusers and polkit speak of one user.
func TestServiceUser(t *testing.T) {
	for file, want := range map[string]string{
		"benchvigil.service":         "\nUser=benchvigil\n",
		"sysusers/benchvigil.conf":   "\nu benchvigil - ",
		"polkit/50-benchvigil.rules": `subject.user == "benchvigil"`,
	} {
		if !strings.Contains(read(t, file), want) {
			t.Errorf("%s does not say %q", file, want)
		}
	}
}

// udevKeys are those that the rules use, and which operators they take
// (udev(7)).
var udevKeys = map[string]*regexp.Regexp{
	"match":  regexp.MustCompile(`^(ACTION|SUBSYSTEM|KERNEL|TEST|(ATTR|ATTRS|ENV)\{[\w/]+\})(==|!=)$`),
	"assign": regexp.MustCompile(`^(GROUP|MODE|(ATTR|ENV)\{[\w/]+\})=$`),
}

// TestUdevRules reads the rules and the examples among their comments. A
// mistake in a rule is otherwise only a line in the journal.
func TestUdevRules(t *testing.T) {
	term := regexp.MustCompile(`^([A-Za-z_]+(?:\{[^}]*\})?(?:==|!=|=))"[^"]*"$`)
	n := 0
	for line := range strings.Lines(read(t, "udev/60-benchvigil.rules")) {
		line = strings.TrimSpace(line)
		if line = strings.TrimPrefix(line, "#"); line == "" || strings.HasPrefix(line, " ") {
			continue
		}
		n++
		kinds := map[string]int{}
		for _, part := range strings.Split(line, ", ") {
			m := term.FindStringSubmatch(part)
			if m == nil {
				t.Errorf("%s: %q is no term", line, part)
				continue
			}
			for kind, keys := range udevKeys {
				if keys.MatchString(m[1]) {
					kinds[kind]++
				}
			}
			if kinds["match"]+kinds["assign"] == 0 {
				t.Errorf("%s: %s is neither a match nor an assignment", line, m[1])
			}
		}
		if kinds["match"] < 2 || kinds["assign"] < 1 {
			t.Errorf("%s: %v", line, kinds)
		}
	}
	if n != 4 {
		t.Errorf("%d rules and examples, want 4", n)
	}
}

// promtool is the tool, by BENCHVIGIL_PROMTOOL, in the path or where make puts
// it; else the test is skipped.
func promtool(t *testing.T) string {
	t.Helper()
	for _, name := range []string{os.Getenv("BENCHVIGIL_PROMTOOL"), "promtool", "../.cache/bin/promtool"} {
		if path, err := exec.LookPath(cmp.Or(name, "promtool")); err == nil {
			return path
		}
	}
	t.Skip("promtool is not here: the alerts are not checked; make setup fetches it")
	return ""
}

func TestPrometheus(t *testing.T) {
	tool := promtool(t)
	for _, args := range [][]string{
		{"check", "config", "prometheus/prometheus.yml"},
		{"check", "rules", "prometheus/benchvigil.rules.yml"},
		{"test", "rules", "prometheus/benchvigil.rules.test.yml"},
	} {
		t.Run(strings.Join(args[:2], " "), func(t *testing.T) {
			if out, err := run(t, t.Context(), tool, args...); err != nil {
				t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
			}
		})
	}
}

// The tests of the alerts can fail: a rule that never fires does not pass.
func TestAlertTestsAreNotBlind(t *testing.T) {
	tool, dir := promtool(t), t.TempDir()
	rules := read(t, "prometheus/benchvigil.rules.yml")
	for i, expr := range regexp.MustCompile(`expr: .*`).FindAllString(rules, -1) {
		broken := strings.Replace(rules, expr, "expr: vector(1) > 2", 1)
		for name, text := range map[string]string{
			"benchvigil.rules.yml": broken, "benchvigil.rules.test.yml": read(t, "prometheus/benchvigil.rules.test.yml"),
		} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if out, err := run(t, t.Context(), tool, "test", "rules", filepath.Join(dir, "benchvigil.rules.test.yml")); err == nil {
			t.Errorf("rule %d (%s) may never fire and the tests pass\n%s", i, expr, out)
		}
	}
}

// Every metric that the alerts ask for exists, with the labels they use.
func TestAlertsAskForWhatThereIs(t *testing.T) {
	page := read(t, "../internal/metrics/testdata/metrics.txt")
	names := regexp.MustCompile(`benchvigil_\w+`).FindAllString(read(t, "prometheus/benchvigil.rules.yml"), -1)
	slices.Sort(names)
	names = slices.Compact(names)
	if len(names) < 8 {
		t.Errorf("only %v are asked for", names)
	}
	for _, name := range names {
		if !strings.Contains(page, "# TYPE "+name+" ") {
			t.Errorf("there is no metric %s", name)
		}
	}
}
