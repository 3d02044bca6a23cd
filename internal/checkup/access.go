package checkup

import (
	"fmt"
	"strings"
	"time"
)

// Access is how the pages are reached from elsewhere.
type Access struct {
	Problem error     // why the certificate cannot be used; nil: it can
	Ends    time.Time // of the certificate
	Names   []string  // that it is for
	People  int       // who can log in; less than 0: nobody knows, there is no folder to look into
	Folder  string    // where they are kept
}

// renewBefore is how long before its end a certificate is to be renewed.
const renewBefore = 30 * 24 * time.Hour

func (a *Access) results(now time.Time) []Result {
	if a == nil {
		return nil
	}
	return []Result{a.certificate(now), a.people()}
}

func (a *Access) certificate(now time.Time) Result {
	const check, renew = "certificate", "renew it by benchvigil access certificate, with the same names and folder"
	days := int(a.Ends.Sub(now) / (24 * time.Hour))
	names := strings.Join(a.Names, ", ")
	switch {
	case a.Problem != nil:
		return Result{check, Failed, a.Problem.Error(), "make one by benchvigil access certificate, and name its files in tls.certificate and tls.key", Config}
	case !a.Ends.After(now):
		return Result{check, Attention, "it ended on " + a.Ends.Local().Format(time.DateOnly) + ": phones warn of it, and may get no alerts", renew, Other}
	case a.Ends.Sub(now) < renewBefore:
		return Result{check, Attention, fmt.Sprintf("for %s, and ends in %d days", names, days), renew, Other}
	}
	return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("for %s, another %d days", names, days)}
}

func (a *Access) people() Result {
	const check = "people"
	switch {
	case a.People < 0:
		return Result{check, Unknown, "who may log in is kept in the folder of the ledger, and none is named", "name it by --data", Other}
	case a.People == 0:
		return Result{check, Failed, "nobody can log in from elsewhere", "enter somebody by benchvigil access user add NAME --role work --data " + a.Folder, Config}
	case a.People == 1:
		return Result{Check: check, Verdict: OK, Found: "one can log in"}
	}
	return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("%d can log in", a.People)}
}
