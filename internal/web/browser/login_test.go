package browser

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchvigil/internal/unit"
)

const (
	kimsPassword  = "four words of the bench"
	verasPassword = "another four words here"
)

// acts finds the buttons that change something at the bench.
const acts = `[...document.querySelectorAll("main form[method=post], main [hx-post]")].filter((e) => e.checkVisibility()).length`

// Beyond the bench's own computer people log in. Kim works, Vera may only look,
// and a wall has a link that only looks, until it is revoked.
func TestLogin(t *testing.T) {
	r := newSecureRig(t, "left")
	r.boards["left"].draw(412 * unit.Milliampere)
	p := newTab(t)
	defer p.close()
	p.allow("status of 401", "status of 403")

	p.refusesAWrongPassword(r.url)
	p.login("kim", kimsPassword)
	p.wait("the page that was asked for", `location.pathname === "/m/left" && document.querySelector(".uptime b")`)
	p.wait("what Kim may do", acts+" > 0")
	p.acknowledgesAs(r, "kim")
	p.logout()

	p.open(r.url + "/m/left")
	p.login("vera", verasPassword)
	p.wait("the same page", `location.pathname === "/m/left" && document.body.innerText.includes("kim sees to it")`)
	if n := run[int](p, acts); n != 0 {
		t.Errorf("Vera, who may only look, is shown %d forms that act", n)
	}
	if status := run[int](p, `fetch("/api/v1/stations/left/marks", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ kind: "note", text: "hello" }) }).then((a) => a.status)`); status != 403 {
		t.Errorf("Vera's mark is answered by %d, want 403", status)
	}
	p.logout()
	p.opensAWallByItsLink(r)
}

func (p *tab) refusesAWrongPassword(url string) {
	p.tb.Helper()
	p.open(url + "/m/left")
	p.wait("the login", `location.pathname === "/login" && document.querySelector("input[type=password]")`)
	p.login("kim", "not this")
	p.wait("why not", `document.querySelector("[role=alert]")?.innerText.includes("wrong")`)
	run[bool](p, axe(p.tb)+"; true")
	p.checkAccess("login")
	if d := os.Getenv("BENCHVIGIL_SCREENSHOTS"); d != "" {
		p.take(filepath.Join(d, "login.png"), &screen{})
	}
	p.size(wide, high)
	if name := run[string](p, `document.querySelector("input[autocomplete=username]").value`); name != "kim" {
		p.tb.Errorf("after a wrong password the name is %q, want it kept", name)
	}
}

// login fills in the form and sends it.
func (p *tab) login(name, password string) {
	p.tb.Helper()
	run[bool](p, fmt.Sprintf(`(() => {
		const f = document.querySelector("input[type=password]").form;
		f.querySelector("[autocomplete=username]").value = %q;
		f.querySelector("[type=password]").value = %q;
		setTimeout(() => f.requestSubmit());
		return true })()`, name, password))
}

func (p *tab) logout() {
	p.tb.Helper()
	run[bool](p, `(() => { const f = document.createElement("form"); f.method = "post"; f.action = "/logout"; document.body.append(f); setTimeout(() => f.submit()); return true })()`)
	p.wait("the login after the logout", `location.pathname === "/login" && document.querySelector("input[type=password]")`)
}

// acknowledgesAs acknowledges a drop; who it was nobody asks, as it is known.
func (p *tab) acknowledgesAs(r *rig, name string) {
	p.tb.Helper()
	r.boards["left"].draw(0)
	const button = `[...document.querySelectorAll("button")].find((b) => b.checkVisibility() && b.innerText.startsWith("Acknowledge"))`
	p.wait("a button that acknowledges", button)
	run[bool](p, "("+button+".click(), true)")
	p.wait("who sees to it", fmt.Sprintf(`document.body.innerText.includes("%s sees to it")`, name))
}

func (p *tab) opensAWallByItsLink(r *rig) {
	p.tb.Helper()
	var link string
	for f := range strings.FieldsSeq(r.command("", "access", "link", "add", "north", "--data", r.data(), "--address", r.url)) {
		if strings.HasPrefix(f, r.url) {
			link = f
		}
	}
	p.open(link)
	p.wait("the wall", `location.pathname === "/wall" && document.querySelector("#station-left")`)
	if a := run[string](p, "location.href"); strings.Contains(a, "token") {
		p.tb.Errorf("the address shows the token: %s", a)
	}
	p.allow(ofADeadDaemon...)
	r.command("", "access", "link", "revoke", "north", "--data", r.data())
	p.wait("that the wall is no more served", `location.pathname === "/login" || !document.getElementById("silence").hidden`)
}
