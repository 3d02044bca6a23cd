package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
)

// AlertsOptions say how to print what a daemon tells of alerts.
type AlertsOptions struct {
	URL  string
	JSON bool
	Out  io.Writer
}

// ListAlerts prints the alerts that are not normal.
func ListAlerts(ctx context.Context, o AlertsOptions) error {
	c, err := newClient(o.URL)
	if err != nil {
		return err
	}
	var all []bench.AlertView
	if err := c.get(ctx, "/api/v1/alerts", &all); err != nil {
		return err
	}
	if o.JSON {
		return printJSON(o.Out, all)
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(o.Out, "no alert stands")
		return err
	}
	return alertTable(o.Out, all)
}

func alertTable(w io.Writer, all []bench.AlertView) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "ALERT\tSEVERITY\tSINCE\tWHAT\tSTATE\tDO") //nolint:errcheck // Flush tells
	for i := range all {
		v := &all[i]
		fmt.Fprintln(t, strings.Join([]string{ //nolint:errcheck // Flush tells
			v.Point().String(), string(v.Severity), moment(v.Since), v.Title, v.StateWords(moment), v.Do,
		}, "\t"))
	}
	return t.Flush()
}

// moment prints a time of today as a time of day, any other with its date.
func moment(t time.Time) string {
	t = t.Local()
	if now := time.Now(); t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return t.Format(time.TimeOnly)
	}
	return t.Format("2006-01-02 15:04:05")
}

// AlertActs are what people do about alerts, by its word on the command line.
var AlertActs = map[string]bench.AlertDeed{
	"ack": bench.DeedAcknowledge, "shelve": bench.DeedShelve, "unshelve": bench.DeedUnshelve,
	"out": bench.DeedTakeOut, "back": bench.DeedPutBack,
}

// DefaultShelve is how long an alert is put off unless somebody says.
const DefaultShelve = bench.DefaultShelve

// ActOptions are what a person does about an alert of a running daemon.
type ActOptions struct {
	URL string
	Act bench.AlertAct // its Key may be shortened, or a station: all that it has
	Out io.Writer
}

// ActOnAlerts does something about one alert, or all of a station.
func ActOnAlerts(ctx context.Context, o ActOptions) error {
	c, err := newClient(o.URL)
	if err != nil {
		return err
	}
	o.Act = o.Act.Tidy()
	if err := o.Act.Check(); err != nil {
		return fmt.Errorf("%w: %w", ErrCommand, err)
	}
	var all []bench.AlertView
	if err := c.get(ctx, "/api/v1/alerts", &all); err != nil {
		return err
	}
	keys, err := meant(all, o.Act.Key, o.Act.Do)
	switch {
	case errors.Is(err, errUnfit):
		return err
	case err != nil:
		return fmt.Errorf("%w: %w", ErrCommand, err)
	}
	var errs []error
	for _, key := range keys {
		errs = append(errs, c.act(ctx, key, o))
	}
	return errors.Join(errs...)
}

// errUnfit means that a command is right, but comes when nothing fits it.
var errUnfit = errors.New("nothing is changed")

// meant are the keys that somebody means by a word: a whole key or point, the
// beginning of one, or a station, for all of it that the deed fits.
func meant(all []bench.AlertView, word string, deed bench.AlertDeed) ([]string, error) {
	var begin, of, fit []string
	for i := range all {
		v := &all[i]
		point := v.Point().String()
		switch {
		case v.Key == word || point == word:
			return []string{word}, nil
		case strings.HasPrefix(v.Key, word):
			begin = append(begin, point)
		}
		if place := placeOfAlert(v); place == word {
			of = append(of, point+" ("+v.StateWords(moment)+")")
			if v.Can(deed) {
				fit = append(fit, v.Key)
			}
		}
	}
	switch {
	case len(fit) > 0:
		return fit, nil
	case len(of) > 0:
		return nil, fmt.Errorf("%w: %s: none of its alerts can be changed by %s: %s", errUnfit, word, deed, strings.Join(of, ", "))
	case len(begin) == 1:
		return begin, nil
	case len(begin) > 1:
		return nil, fmt.Errorf("%q begins several alerts, write more of it: %s", word, strings.Join(begin, ", "))
	case deed == bench.DeedTakeOut || deed == bench.DeedShelve:
		return []string{word}, nil // a point may be normal; the daemon knows it
	}
	return nil, fmt.Errorf("there is no alert %q: %s", word, thereAre(all))
}

func placeOfAlert(v *bench.AlertView) string {
	if v.Station == "" {
		return "bench"
	}
	return v.Station
}

func thereAre(all []bench.AlertView) string {
	if len(all) == 0 {
		return "no alert stands"
	}
	var points []string
	for i := range all {
		points = append(points, all[i].Point().String())
	}
	return "there are " + strings.Join(points, ", ")
}

func (c *client) act(ctx context.Context, key string, o ActOptions) error {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	body := api.Act{Do: string(o.Act.Do), By: o.Act.By, ForSecs: o.Act.For.Seconds()}
	res, err := c.do(ctx, http.MethodPost, "/api/v1/alerts/"+url.PathEscape(key), body)
	if err := errors.Join(err, closeBody(res)); err != nil {
		return err
	}
	done := map[bench.AlertDeed]string{
		bench.DeedAcknowledge: "acknowledged", bench.DeedShelve: "shelved until " + moment(time.Now().Add(o.Act.For)),
		bench.DeedUnshelve: "no longer shelved", bench.DeedTakeOut: "out of service", bench.DeedPutBack: "back in service",
	}[o.Act.Do]
	_, err = fmt.Fprintf(o.Out, "%s: %s\n", key, done)
	return err
}

// TestOptions say which outlet is to be tried.
type TestOptions struct {
	AlertsOptions
	Outlet string // empty: all
	By     string
}

// testWithin is how long a test may take: outlets are slow.
const testWithin = 3 * time.Minute

// ErrOutlet means that a test did not get through.
var ErrOutlet = errors.New("an outlet does not deliver")

// TestOutlets sends a test alert and tells how the outlets fare.
func TestOutlets(ctx context.Context, o TestOptions) error {
	c, err := newClient(o.URL)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, testWithin)
	defer cancel()
	res, err := c.do(ctx, http.MethodPost, "/api/v1/alerts/test", api.Trial{By: o.By, Outlet: o.Outlet})
	if err != nil {
		return err
	}
	var all []bench.OutletView
	if err := readAnswer(res, &all); err != nil {
		return err
	}
	if o.JSON {
		err = printJSON(o.Out, all)
	} else {
		err = outletTable(o.Out, all)
	}
	for _, v := range all {
		if !v.Failing.IsZero() {
			err = errors.Join(err, fmt.Errorf("%w: %s: %s", ErrOutlet, v.Name, v.Error))
		}
	}
	return err
}

func outletTable(w io.Writer, all []bench.OutletView) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "OUTLET\tKIND\tSTATE\tWAITING\tDELIVERED\tFAILED\tGIVEN UP") //nolint:errcheck // Flush tells
	for _, v := range all {
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%d\t%d\t%d\n", v.Name, v.Kind, outletWords(v), v.Waiting, v.Delivered, v.Failed, v.GivenUp) //nolint:errcheck // Flush tells
	}
	return t.Flush()
}

func outletWords(v bench.OutletView) string {
	switch {
	case !v.Failing.IsZero():
		return "failing since " + moment(v.Failing) + because(v.Error)
	case v.Sent.IsZero():
		return "nothing sent so far"
	}
	return "delivered at " + moment(v.Sent)
}

// get asks for something that stands.
func (c *client) get(ctx context.Context, path string, into any) error {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	res, err := c.do(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	return readAnswer(res, into)
}

func readAnswer(res *http.Response, into any) error {
	defer res.Body.Close() //nolint:errcheck // read to its end
	if err := json.NewDecoder(res.Body).Decode(into); err != nil {
		return fmt.Errorf("read the daemon's answer: %w", err)
	}
	return nil
}

func printJSON(w io.Writer, v any) error {
	var b bytes.Buffer
	if err := json.NewEncoder(&b).Encode(v); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// alerts are those that are not normal; where the daemon keeps none, there are
// none.
func (c *client) alerts(ctx context.Context) (all []bench.AlertView, err error) {
	if err := c.get(ctx, "/api/v1/alerts", &all); err != nil && !errors.Is(err, ErrCommand) {
		return nil, err
	}
	return all, nil
}

// alertLines are what stands before the stations in a status, one a line.
func alertLines(all []bench.AlertView) string {
	var b strings.Builder
	for i := range all {
		if v := &all[i]; v.State != bench.AlertOutOfService && v.State != bench.AlertNormal {
			fmt.Fprintf(&b, "%s: %s, since %s: %s\n", strings.ToUpper(string(v.Severity)), v.Title, moment(v.Since), v.StateWords(moment))
		}
	}
	return b.String()
}

// OfferAlerts lists what can be named of the alerts of the bench that runs: the
// points that a deed fits, and their stations.
func OfferAlerts(ctx context.Context, url string, deed bench.AlertDeed) (words []string) {
	ctx, cancel := context.WithTimeout(ctx, offerWithin)
	defer cancel()
	c, err := newClient(url)
	if err != nil {
		return nil
	}
	all, err := c.alerts(ctx)
	if err != nil {
		return nil
	}
	for i := range all {
		if v := &all[i]; v.Can(deed) {
			words = append(words, v.Point().String(), placeOfAlert(v))
		}
	}
	slices.Sort(words)
	return slices.Compact(words)
}

// OfferOutlets lists the outlets of the bench that runs.
func OfferOutlets(ctx context.Context, url string) (names []string) {
	ctx, cancel := context.WithTimeout(ctx, offerWithin)
	defer cancel()
	c, err := newClient(url)
	if err != nil {
		return nil
	}
	var all []bench.OutletView
	if err := c.get(ctx, "/api/v1/outlets", &all); err != nil {
		return nil
	}
	for _, v := range all {
		names = append(names, v.Name)
	}
	return names
}
