package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/checkup"
	"benchvigil/internal/config"
	"benchvigil/internal/inhibit"
	"benchvigil/internal/unit"
	"benchvigil/internal/usb"
)

// CheckOptions are what the command line says about a checkup.
type CheckOptions struct {
	Config string // file
	Folder string // where the record goes; empty: where a daemon or the service writes
	Root   string // stands for the root of the computer's files
	JSON   bool
	Out    io.Writer
}

// Check looks whether a bench can be watched through a long job and prints
// what it found. Something that failed is an error, of ErrConfig or ErrHardware
// where that is the cause.
func Check(ctx context.Context, o CheckOptions) error {
	c, problem := config.Load(o.Config)
	scan, err := childScan()
	if err != nil {
		return err
	}
	root := os.DirFS(o.Root)
	b := checkedBench(c, problem, o)
	lookAtRunning(ctx, listenOf(c), c.TLS.Certificate != "", &b)
	b.Folders = foldersOf(o.Folder, b.Folders, hasService(root))
	if problem == nil && c.Beyond() {
		b.Access = accessOf(c, b.Folders[0])
	}
	results := checkup.Run(ctx, b, checkup.System{
		OS: runtime.GOOS, Root: root, Sysfs: os.DirFS(sysfsOf(c)), Listen: usb.ListenKernel, Scan: scan,
		Hold: inhibit.Logind, Free: freeSpace, Clock: checkup.KernelClock, ForService: os.Geteuid() == 0 && hasService(root),
	})
	show := checkup.Print
	if o.JSON {
		show = checkup.PrintJSON
	}
	if err := errors.Join(ctx.Err(), show(o.Out, results)); err != nil {
		return err
	}
	return failure(results)
}

func checkedBench(c config.Config, problem error, o CheckOptions) checkup.Bench {
	b := checkup.Bench{File: o.Config, Problem: problem, CrossRef: c.USB.Scan > 0, Awake: problem != nil || c.InhibitSleep}
	for _, s := range c.Stations {
		p := stationPlan(s)
		st := checkup.Station{ID: p.ID, Port: p.Port, Profile: p.Profile}
		if p.Supply != nil {
			st.Supplies = append(st.Supplies, *p.Supply)
		}
		st.Supplies = append(st.Supplies, p.Meters...)
		for i := range st.Supplies {
			st.Supplies[i].Station = p.ID
		}
		b.Stations = append(b.Stations, st)
	}
	return b
}

// accessOf looks at the certificate of the pages, and who may log in.
func accessOf(c config.Config, folder string) *checkup.Access {
	out := &checkup.Access{Folder: folder, People: -1}
	if b, err := ReadAccess(folder); err == nil {
		out.People = len(b.People)
	}
	proof, err := access.LoadCertificate(c.TLS.Certificate, c.TLS.Key, zap.NewNop())
	if err != nil {
		out.Problem = err
		return out
	}
	if os.Geteuid() == 0 {
		out.Problem = errors.Join(serviceReads(serviceFolder, c.TLS.Certificate), serviceReads(serviceFolder, c.TLS.Key))
	}
	out.Ends, out.Names = proof.Ends(), slices.Sorted(maps.Keys(proof.Names()))
	return out
}

// lookAtRunning asks a benchvigil that runs what it sees, if there is one.
func lookAtRunning(ctx context.Context, listen string, tls bool, b *checkup.Bench) {
	scheme := "http://"
	if tls {
		scheme = "https://"
	}
	c, err := newClient(scheme + listen)
	if err != nil {
		return
	}
	all, notice, err := c.stations(ctx)
	if err != nil {
		return // the usual case: none runs
	}
	b.Notice = notice
	if a, err := c.about(ctx); err == nil { // an older one does not know
		b.Held, b.Refused = a.Held, a.Refused
		b.Folders = a.Folders
	}
	for _, s := range all {
		if i := slices.IndexFunc(b.Stations, func(st checkup.Station) bool { return st.ID == s.Station }); i >= 0 {
			b.Stations[i].Watched = watchedBy(s)
		}
	}
}

// foldersOf are where the record goes: where somebody says, else where a daemon
// that runs writes, else where the service would, else here.
func foldersOf(said string, running []string, service bool) []string {
	switch {
	case said != "":
		return []string{said}
	case len(running) > 0:
		return running
	case service:
		return []string{serviceFolder}
	}
	here, err := os.Getwd()
	if err != nil {
		return []string{"."}
	}
	return []string{here}
}

// freeSpace is what a user may still write below a folder; that of the service
// is only made when it starts.
func freeSpace(folder string) (uint64, error) {
	n, err := checkup.FreeSpace(folder)
	if folder == serviceFolder && errors.Is(err, fs.ErrNotExist) {
		return checkup.FreeSpace(filepath.Dir(folder))
	}
	return n, err
}

// watchedBy is what a running watch sees of a station's instruments. It tells
// of the supply when it is lost, of the meters only when they were read last.
func watchedBy(s api.Status) checkup.Watched {
	main := sight(s, s.Reading)
	main.Lost, main.Error = !s.SupplyLostSince.IsZero(), s.SupplyError
	heat := checkup.Sight{Lost: true}
	if t := s.Temperature; t != nil {
		heat.Lost = !bench.TemperatureView{At: t.At}.Fresh(s.At)
		heat.Celsius = unit.Some(t.Celsius)
	}
	return checkup.Watched{"": main, bench.ChannelVBUS: sight(s, s.VBUSMeter), bench.ChannelThermometer: heat}
}

// lately is how old a meter's reading may be: some print once in a while.
const lately = time.Minute

func sight(s api.Status, r *api.Reading) checkup.Sight {
	if r == nil {
		return checkup.Sight{Lost: true}
	}
	return checkup.Sight{Power: bench.Power{Volts: r.Volts, Amps: r.Amps}, Lost: s.At.Sub(r.At) > lately}
}

// listenOf is where a benchvigil would run, also where the configuration cannot
// be read.
func listenOf(c config.Config) string {
	return cmp.Or(c.Listen, os.Getenv(config.EnvName("listen")), strings.TrimPrefix(DefaultURL, "http://"))
}

// sysfsOf is the kernel's device tree, also where the configuration cannot be
// read.
func sysfsOf(c config.Config) string {
	return cmp.Or(c.USB.Sysfs, os.Getenv(config.EnvName("usb.sysfs")), config.DefaultSysfs)
}

func failure(results []checkup.Result) error {
	cause, ok := checkup.Worst(results)
	switch {
	case ok:
		return nil
	case cause == checkup.Config:
		return fmt.Errorf("%w: see what failed", ErrConfig)
	case cause == checkup.Hardware:
		return fmt.Errorf("%w: see what failed", ErrHardware)
	}
	return errors.New("this computer is not fit for a long job: see what failed")
}
