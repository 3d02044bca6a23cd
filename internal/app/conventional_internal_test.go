package app

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// pipeline is the conventional way of an alert, to be compared with: a gauge of
// each station is scraped by Prometheus, whose rules alert by an Alertmanager,
// which calls a webhook. Exporter and webhook are here, so that one clock sees
// both ends.
type pipeline struct {
	t     *testing.T
	every time.Duration // of scrapes and of rules; 0: alerts are posted straight to Alertmanager
	am    string
	here  *httptest.Server
	up    []atomic.Int32
	told  []chan time.Time
}

// gaugeLasts is longer than any of them takes.
const gaugeLasts = 30 * time.Second

// conventional measures n drops of as many stations, at random phases of
// scrapes and rules; -1: it is not here. Each station drops once: a board that
// drops again waits for the group's interval besides.
func conventional(t *testing.T, every time.Duration, n int) (took []time.Duration) {
	t.Helper()
	bin, err := filepath.Abs("../../.cache/bin")
	if err != nil {
		t.Fatal(err)
	}
	p := &pipeline{t: t, every: every, up: make([]atomic.Int32, n), told: make([]chan time.Time, n)}
	for i := range n {
		p.up[i].Store(1)
		p.told[i] = make(chan time.Time, 1)
	}
	p.here = httptest.NewServer(p)
	defer p.here.Close()
	defer p.startAlertmanager(bin)()
	if every > 0 {
		defer p.startPrometheus(bin)()
		time.Sleep(3*time.Second + 2*every) // each has been scraped and judged
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for i := range n {
		time.Sleep(every/2 + 100*time.Millisecond + rand.N(every+time.Millisecond))
		wg.Go(func() {
			at := p.drop(i)
			select {
			case told := <-p.told[i]:
				mu.Lock()
				took = append(took, told.Sub(at))
				mu.Unlock()
			case <-time.After(gaugeLasts):
				t.Errorf("pipeline at %v: no word of station %d within %v", every, i, gaugeLasts)
			}
		})
	}
	wg.Wait()
	return took
}

func (p *pipeline) drop(i int) time.Time {
	at := time.Now()
	p.up[i].Store(0)
	if p.every == 0 {
		body := fmt.Sprintf(`[{"labels": {"alertname": "BoardDropped", "station": "%d"}}]`, i)
		p.ask(http.MethodPost, "http://"+p.am+"/api/v2/alerts", body)
	}
	return at
}

// ServeHTTP is exporter and webhook.
func (p *pipeline) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	now := time.Now()
	var i int
	if _, err := fmt.Sscanf(r.URL.Path, "/gauge/%d", &i); err == nil && i < len(p.up) {
		fmt.Fprintf(w, "# TYPE board_up gauge\nboard_up %d\n", p.up[i].Load()) //nolint:errcheck // who asked has gone
		return
	}
	var call struct {
		Alerts []struct {
			Status string
			Labels map[string]string
		}
	}
	if json.NewDecoder(r.Body).Decode(&call) != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	for _, a := range call.Alerts {
		if _, err := fmt.Sscan(a.Labels["station"], &i); err == nil && i < len(p.told) && a.Status == "firing" {
			select {
			case p.told[i] <- now:
			default: // it was told before
			}
		}
	}
}

func (p *pipeline) startAlertmanager(bin string) (stop func()) {
	p.am = p.free()
	dir := p.t.TempDir()
	p.write(dir, "am.yml", fmt.Sprintf(`route: {receiver: hook, group_by: [station], group_wait: 0s, group_interval: 1s, repeat_interval: 4h}
receivers: [{name: hook, webhook_configs: [{url: "%s/hook"}]}]
`, p.here.URL))
	return p.run(p.am, bin, "alertmanager", "--config.file="+filepath.Join(dir, "am.yml"), "--storage.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+p.am, "--cluster.listen-address=")
}

// startPrometheus runs one with a job of many targets and rules in five groups:
// their phases depend on names, so that they are spread.
func (p *pipeline) startPrometheus(bin string) (stop func()) {
	address, dir := p.free(), p.t.TempDir()
	here := strings.TrimPrefix(p.here.URL, "http://")
	var b strings.Builder
	fmt.Fprintf(&b, "global: {scrape_interval: %v, evaluation_interval: %v, scrape_timeout: %v}\n", p.every, p.every, p.every)
	fmt.Fprintf(&b, "alerting: {alertmanagers: [{static_configs: [{targets: ['%s']}]}]}\nrule_files: [rules.yml]\n", p.am)
	b.WriteString("scrape_configs:\n- job_name: bench\n  static_configs:\n")
	for i := range p.up {
		fmt.Fprintf(&b, "  - {targets: ['%s'], labels: {station: '%d', __metrics_path__: /gauge/%d}}\n", here, i, i)
	}
	p.write(dir, "prometheus.yml", b.String())
	rules := "groups:\n"
	for g := range 5 {
		rules += fmt.Sprintf("- {name: g%d, rules: [{alert: BoardDropped, expr: 'board_up{station=~\".*[%d%d]\"} == 0', for: 0s}]}\n", g, 2*g, 2*g+1)
	}
	p.write(dir, "rules.yml", rules)
	return p.run(address, bin, "prometheus", "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address)
}

// run starts one of the two and waits until it is ready.
func (p *pipeline) run(address, bin, name string, args ...string) (stop func()) {
	var said bytes.Buffer
	cmd := exec.CommandContext(p.t.Context(), filepath.Join(bin, name), args...) //nolint:gosec // what setup put there
	cmd.Dir, cmd.Stdout, cmd.Stderr = bin, &said, &said                          // the templates of one are found beside it
	if err := cmd.Start(); err != nil {
		p.t.Fatalf("%v; internal/tools/alert.sh fetches it", err)
	}
	stop = func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // killed
		if p.t.Failed() {
			p.t.Log(said.String())
		}
	}
	Eventually(p.t, 60*time.Second, name+" is ready", func() bool { return p.ask(http.MethodGet, "http://"+address+"/-/ready", "") })
	return stop
}

func (p *pipeline) ask(method, url, body string) (ok bool) {
	req, err := http.NewRequestWithContext(p.t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		return false
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return false
	}
	_ = resp.Body.Close()
	return resp.StatusCode == http.StatusOK
}

func (p *pipeline) write(dir, name, text string) {
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
		p.t.Fatal(err)
	}
}

func (p *pipeline) free() string {
	l, err := new(net.ListenConfig).Listen(p.t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		p.t.Fatal(err)
	}
	defer l.Close() //nolint:errcheck // the program is to listen there
	return l.Addr().String()
}
