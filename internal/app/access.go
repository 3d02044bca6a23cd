package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/ledger"
	"benchvigil/internal/logkey"
	"benchvigil/internal/web"
)

// trail notes what people do. It never keeps a request waiting: entries are
// written one after the other beside it.
type trail struct {
	store *ledger.Ledger // nil: the log alone has them
	log   *zap.Logger

	mu      sync.Mutex
	waiting []ledger.Deed
	wake    chan struct{}
}

// mostDeeds bounds what waits for a disk that does not answer.
const mostDeeds = 10_000

func newTrail(store *ledger.Ledger, log *zap.Logger) *trail {
	return &trail{store: store, log: log, wake: make(chan struct{}, 1)}
}

func (t *trail) note(e access.Entry) {
	t.log.Info(e.String())
	if t.store == nil {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.waiting) >= mostDeeds {
		t.log.Error("the trail of acts lacks this one: the ledger cannot be written")
		return
	}
	t.waiting = append(t.waiting, ledger.Deed{At: e.At, Who: e.Who, From: e.From, Did: e.Did, On: e.On, Outcome: e.Outcome})
	select {
	case t.wake <- struct{}{}:
	default:
	}
}

// run writes entries until ctx ends, and then what is left.
func (t *trail) run(ctx context.Context) error {
	for {
		select {
		case <-t.wake:
			t.write(ctx)
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
			defer cancel()
			t.write(last)
			return nil
		}
	}
}

// write adds what waits. What cannot be written is tried again with the next.
func (t *trail) write(ctx context.Context) {
	t.mu.Lock()
	deeds := t.waiting
	t.waiting = nil
	t.mu.Unlock()
	if len(deeds) == 0 {
		return
	}
	if err := t.store.Note(ctx, deeds...); err != nil {
		t.log.Error("the trail of acts cannot be written", logkey.Err(err))
		t.mu.Lock()
		t.waiting = append(deeds, t.waiting...)
		t.mu.Unlock()
	}
}

// audit lists what people did, the newest first; next is where the rest begins,
// 0 where there is none.
func audit(ctx context.Context, r *ledger.Reader, q access.AuditQuery) (out []access.Entry, next int64, err error) {
	limit := q.Limit
	if limit <= 0 {
		limit = 100
	}
	deeds, err := r.Deeds(ctx, ledger.DeedQuery{From: q.From, To: q.To, Who: q.Who, Station: q.Station, Before: q.Before, Limit: limit})
	if err != nil {
		return nil, 0, err
	}
	for _, d := range deeds {
		out = append(out, access.Entry{Seq: d.Seq, At: d.At, Who: d.Who, From: d.From, Did: d.Did, On: d.On, Outcome: d.Outcome})
	}
	if len(deeds) == limit {
		next = deeds[limit-1].Seq
	}
	return out, next, nil
}

// guard puts the login before the site, and TLS where the plan has it.
func (a *assembly) guard(o *web.Options) error {
	a.trail = newTrail(a.record.store, a.plan.Logger)
	tcp, ok := a.listener.Addr().(*net.TCPAddr)
	loopback := ok && tcp.IP.IsLoopback()
	g := access.Options{Loopback: loopback, Audit: a.trail.note, Bench: a.plan.Bench, Logger: a.plan.Logger}
	if a.plan.Data != "" {
		g.Book = filepath.Join(a.plan.Data, access.BookFile)
	}
	if a.record.store != nil {
		g.Sessions = a.record.store
	}
	if !loopback {
		if err := needLogin(a.plan.Data); err != nil {
			return err
		}
	}
	guard, err := access.NewGuard(context.Background(), g)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrConfig, err)
	}
	o.Access = guard.Wrap
	if a.plan.From.TLS.Certificate == "" {
		return nil
	}
	c, err := access.LoadCertificate(a.plan.From.TLS.Certificate, a.plan.From.TLS.Key, a.plan.Logger)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrConfig, err)
	}
	o.TLS, o.Names, a.proof = c.Config(), c.Names, c
	return nil
}

// checkAccess says what is wrong with the keys and people of a configuration.
func checkAccess(p *Plan) error {
	if file := p.From.TLS.Certificate; file != "" {
		if _, err := access.LoadCertificate(file, p.From.TLS.Key, p.Logger); err != nil {
			return fmt.Errorf("%w: tls: %w", ErrConfig, err)
		}
	}
	if p.From.Beyond() && p.Data != "" { // without it the command knows nobody
		return needLogin(p.Data)
	}
	return nil
}

// needLogin refuses a page beyond this computer to which nobody could log in.
func needLogin(data string) error {
	const how = "enter people by benchvigil access user add NAME --role work --data FOLDER"
	if data == "" {
		return fmt.Errorf("%w: listen: beyond this computer people log in, and who may is kept in the data folder: start with --data FOLDER, and %s", ErrConfig, how)
	}
	b, err := access.ReadBook(filepath.Join(data, access.BookFile))
	if err != nil {
		return fmt.Errorf("%w: %w", ErrConfig, err)
	}
	if len(b.People) == 0 {
		return fmt.Errorf("%w: listen: beyond this computer people log in, and nobody may yet: %s", ErrConfig, how)
	}
	return nil
}

// ChangeAccess changes who may log in, also while a watch runs: it follows
// within a second. The book stays the folder's owner's.
func ChangeAccess(data string, change func(*access.Book) error) error {
	if err := DataThere(data); err != nil {
		return err
	}
	path := filepath.Join(data, access.BookFile)
	if err := access.ChangeBook(path, change); err != nil {
		return fmt.Errorf("%w: %w", ErrCommand, err)
	}
	return likeFolder(data, path)
}

// DataThere says what is wrong with a data folder.
func DataThere(data string) error {
	switch info, err := os.Stat(data); {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%w: there is no folder %s yet: it is the one that benchvigil run --data names; start that once, or make the folder", ErrCommand, data)
	case err != nil:
		return fmt.Errorf("%w: the data folder: %w", ErrCommand, err)
	case !info.IsDir():
		return fmt.Errorf("%w: %s is no folder: name the one that benchvigil run --data names", ErrCommand, data)
	}
	return nil
}

// ReadAccess reads who may log in.
func ReadAccess(data string) (access.Book, error) {
	if err := DataThere(data); err != nil {
		return access.Book{}, err
	}
	b, err := access.ReadBook(filepath.Join(data, access.BookFile))
	if err != nil {
		err = fmt.Errorf("%w: %w", ErrUnreadable, err)
	}
	return b, err
}

// AuditOptions say which acts to print.
type AuditOptions struct {
	DataOptions
	From, To time.Time
	Who      string
	JSON     bool
}

// Audit prints what people did, the newest first.
func Audit(ctx context.Context, o AuditOptions) error {
	return reading(ctx, o.Data, func(r *ledger.Reader) error {
		q := access.AuditQuery{From: o.From, To: o.To, Who: o.Who, Limit: 500}
		for {
			page, next, err := audit(ctx, r, q)
			if err != nil {
				return fmt.Errorf("%w: %w", ErrLedger, err)
			}
			if err := o.print(page); err != nil || next == 0 {
				return err
			}
			q.Before = next
		}
	})
}

func (o AuditOptions) print(page []access.Entry) error {
	if o.JSON {
		enc := json.NewEncoder(o.Out)
		for _, e := range page {
			if err := enc.Encode(e); err != nil {
				return err
			}
		}
		return nil
	}
	var errs []error
	for _, e := range page {
		_, err := fmt.Fprintf(o.Out, "%s  %s\n", e.At.Local().Format("2006-01-02 15:04:05"), e)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}
