package house

// module is the import path that all our packages begin with.
const module = "benchvigil/"

// room says what one package, or with "/..." everything below it, may import.
// Paths are without the module; the standard library is free to all but pure
// rooms, third-party modules to all but pure rooms and those named in owned.
type room struct {
	of   string
	ours []string // of our own packages
	pure bool     // decides only: no I/O, no clock, no goroutine, no third-party module but libs
	libs []string
	why  string
}

// vocabulary is what sources, sinks and stations share.
var vocabulary = []string{"internal/unit", "internal/bench", "internal/logkey"}

const (
	edgeWhy   = "sources and sinks know the vocabulary and nothing of each other, of infer or of app: each can be replaced alone"
	outletWhy = "an outlet delivers what it is given: it knows neither why nor the other outlets"
	fakeWhy   = "a published fake sees what it fakes, and the vocabulary"
	storyWhy  = "a simulated bench knows the vocabulary and the seams it stands in for: it must not know what is concluded from it"
	vmWhy     = "the virtual machine tests the binary as shipped: it must not be built from the code it judges"
)

var rooms = []room{
	{of: "internal/unit", pure: true, why: "quantities carry everything else: they stand on the standard library alone"},
	{of: "internal/bench", pure: true, ours: []string{"internal/unit"}, why: "the vocabulary is plain values: whoever speaks it must not drag in more"},
	{of: "internal/stats", pure: true, libs: []string{"gonum.org/v1/gonum"}, why: "mathematics knows numbers, not boards: it can be held against published values alone"},
	{
		of: "internal/profile", pure: true, ours: []string{"internal/unit", "internal/bench"}, libs: []string{"go.yaml.in/yaml/v3"},
		why: "a device family is read and checked, and knows nothing of what is done with it",
	},
	{
		of: "internal/infer", pure: true, ours: []string{"internal/unit", "internal/bench", "internal/profile", "internal/stats"},
		why: "the same observations must always give the same events, live or replayed",
	},
	{of: "internal/systemd", why: "a protocol of a few lines: it knows nothing of what is watched"},
	{
		of: "internal/learn", pure: true, ours: []string{"internal/unit", "internal/bench", "internal/profile", "internal/infer"},
		why: "what is learned comes from the same conclusions as the live watch: it reads no file and writes none",
	},
	{
		of: "internal/study", ours: []string{"internal/unit", "internal/bench", "internal/profile", "internal/infer", "configs"},
		why: "a story is made up and scored without knowing how infer decides: it hands in observations and reads events",
	},
	{
		of: "internal/signature", pure: true, ours: []string{"internal/unit", "internal/bench", "internal/profile", "internal/stats", "internal/infer"},
		why: "starts are found by the same conclusions as the live watch: it reads no recording and keeps no file",
	},
	{
		of: "internal/trace", pure: true, ours: []string{"internal/unit", "internal/bench"},
		why: "packed readings are a file format: whoever keeps them, they are read and written by pure functions",
	},
	{
		of: "internal/chart", pure: true, ours: []string{"internal/unit", "internal/bench", "internal/trace", "internal/stats", "internal/signature"},
		why: "what is drawn and listed of the past follows from the facts alone: it reads no store, and pages and interface share it",
	},
	{of: "internal/logkey", why: "the spelling of log keys needs only zap"},

	{of: "internal/usb", ours: vocabulary, why: edgeWhy},
	{of: "internal/usb/scan", ours: append([]string{"internal/usb"}, vocabulary...), why: "libusb fills in the types of usb and is a child process's business"},
	{of: "internal/usb/usbtest", ours: append([]string{"internal/usb"}, vocabulary...), why: fakeWhy},
	{of: "internal/supply", ours: vocabulary, why: edgeWhy},
	{of: "internal/supply/supplytest", ours: append([]string{"internal/supply"}, vocabulary...), why: fakeWhy},
	{of: "internal/recording", ours: vocabulary, why: edgeWhy},
	{
		of: "internal/ledger", ours: append([]string{"internal/trace"}, vocabulary...),
		why: "the store keeps facts and conclusions, and draws none: only the packed form of readings is known to it besides the vocabulary",
	},
	{of: "internal/alert", ours: []string{"internal/unit", "internal/bench"}, pure: true, why: "the message is a plain value that everything which tells people shares"},
	{of: "internal/alert/roster", pure: true, ours: []string{"internal/unit", "internal/bench", "internal/alert"}, why: "who is told follows from the alert and the time alone: after a restart the same messages are due"},
	{of: "internal/alert/rule", pure: true, ours: []string{"internal/unit", "internal/bench"}, why: "the same facts must always raise the same alerts, and no order of stations may matter: it gets facts and time, and tells nobody"},
	{of: "internal/alert/load", pure: true, ours: []string{"internal/unit", "internal/bench"}, why: "the load is counted from the events alone, whoever was told"},
	{of: "internal/alert/life", pure: true, ours: []string{"internal/unit", "internal/bench"}, why: "the book of alerts is made again from its events: it must not depend on when or where it is read"},
	{of: "internal/ledger/powercut", pure: true, why: "what a disk may do is a model that knows no store: what it does is chosen by whoever asks"},
	{of: "internal/alert/partly", why: "which receivers have a message is a matter of keys: it knows no outlet"},
	{of: "internal/alert/webpush", ours: append([]string{"internal/alert", "internal/alert/partly"}, vocabulary...), why: outletWhy},
	{of: "internal/alert/webpush/browser", why: "it is only tests, of page and outlet together"},
	{of: "internal/alert/webpush/webpushtest", why: "it plays browser and push service from the RFCs: what it judges must not help it"},
	{of: "internal/alert/email", ours: append([]string{"internal/alert", "internal/alert/partly"}, vocabulary...), why: outletWhy},
	{of: "internal/alert/service", ours: append([]string{"internal/alert"}, vocabulary...), why: outletWhy},
	{of: "internal/alert/dispatch", ours: append([]string{"internal/alert"}, vocabulary...), why: "messages reach their outlets whatever keeps them and whatever an outlet speaks"},
	{of: "internal/alert/dispatch/dispatchtest", ours: []string{"internal/alert", "internal/alert/dispatch"}, why: fakeWhy},
	{of: "internal/alert/post", ours: []string{"internal/alert"}, why: "a request is judged without knowing what is in it"},
	{of: "internal/alert/outlettest", ours: []string{"internal/unit", "internal/bench", "internal/alert"}, why: "the suite sees an outlet by what a dispatcher sees of it"},
	{of: "internal/alert/webhook", ours: append([]string{"internal/alert", "internal/alert/post"}, vocabulary...), why: outletWhy},
	{of: "internal/alert/publish", ours: append([]string{"internal/alert", "internal/alert/post"}, vocabulary...), why: outletWhy},
	{of: "internal/alert/alertmanager", ours: append([]string{"internal/alert", "internal/alert/post"}, vocabulary...), why: outletWhy},
	{of: "internal/access", ours: vocabulary, why: "who may do what is known to it alone: pages and interface ask, and it knows neither"},
	{of: "internal/web", ours: append([]string{"internal/access", "internal/chart", "internal/fan"}, vocabulary...), why: edgeWhy},
	{of: "internal/web/browser", why: "it is only tests, of the program as shipped"},
	{of: "internal/web/states", ours: []string{"internal/unit", "internal/bench"}, pure: true, why: "what could be shown is plain values: the pages must not be known to it"},
	{of: "internal/metrics", ours: vocabulary, why: edgeWhy},
	{of: "internal/fan", why: "it hands out what it knows nothing of"},
	{of: "internal/api", ours: append([]string{"internal/access", "internal/chart", "internal/fan"}, vocabulary...), why: edgeWhy},

	{of: "internal/alert/heartbeat", ours: []string{"internal/logkey"}, why: "it calls one address while it is told that all is well, and knows nothing of boards, alerts or outlets"},
	{of: "internal/inhibit", ours: []string{"internal/logkey"}, why: "it keeps the computer awake when it is told to, and knows nothing of boards"},
	{of: "internal/inhibit/inhibittest", ours: []string{"internal/inhibit"}, why: fakeWhy},

	{
		of: "internal/checkup", ours: append([]string{"internal/inhibit", "internal/profile", "internal/supply", "internal/usb"}, vocabulary...),
		why: "a checkup looks through the same sources as the watch, and is told by app what to look at",
	},
	{
		of: "internal/enroll", ours: append([]string{"internal/checkup", "internal/config", "internal/profile", "internal/supply", "internal/usb"}, vocabulary...),
		why: "a station is entered with the eyes of the watch; the file itself is config's",
	},

	{
		of: "internal/station", ours: append([]string{"internal/infer", "internal/profile"}, vocabulary...),
		why: "a station declares the sources and sinks it needs: app plugs them in",
	},

	{of: "internal/sim", ours: vocabulary, why: storyWhy},
	{of: "internal/sim/scpi", ours: vocabulary, why: storyWhy},
	{of: "internal/sim/usbip", ours: vocabulary, why: storyWhy},
	{of: "internal/sim/usbbus", ours: append([]string{"internal/usb", "internal/usb/usbtest"}, vocabulary...), why: storyWhy},
	{of: "internal/sim/play", ours: append([]string{"internal/sim", "internal/sim/..."}, vocabulary...), why: storyWhy},

	{
		of: "internal/config", ours: []string{"internal/unit", "internal/bench", "internal/profile"},
		why: "configuration is values: app turns them into each component's options",
	},
	{of: "deploy", why: "what is installed beside the program is text: its tests hold it against the tools it is for"},
	{of: "configs", why: "the shipped files are only embedded, whoever reads them"},
	{of: "internal/app", ours: []string{"internal/...", "configs"}, why: "app is the one package that sees everything"},
	{of: "cmd/benchvigil", ours: []string{"internal/app", "internal/config"}, why: "main holds flags, signals and exit codes: what it starts is app's to know"},

	{of: "internal/vmtest", why: vmWhy},
	{of: "internal/vmtest/report", why: vmWhy},
	{
		of:   "internal/vmtest/guest",
		ours: []string{"internal/unit", "internal/bench", "internal/sim/scpi", "internal/sim/usbip", "internal/vmtest", "internal/vmtest/report"},
		why:  vmWhy,
	},
	{of: "internal/vmtest/desk", ours: []string{"internal/vmtest"}, why: vmWhy},
	{of: "internal/vmtest/desk/boot", ours: []string{"internal/vmtest"}, why: vmWhy},
	{
		of:   "internal/vmtest/desk/bench",
		ours: []string{"internal/unit", "internal/bench", "internal/sim", "internal/sim/scpi", "internal/sim/usbip"},
		why:  vmWhy,
	},
	{of: "internal/house", why: "the house is only tests"},
}

// impureImports are what a pure room has no use for.
var impureImports = []string{
	"os", "os/exec", "os/signal", "net", "net/http", "log", "log/slog", "context", "syscall", "sync", "sync/atomic",
	"math/rand", "math/rand/v2",
}

// owned are modules that only some packages may import.
var owned = []struct {
	lib    string
	owners []string
	why    string
}{
	{"github.com/spf13/viper", []string{"internal/config"}, "configuration is read in one place, once"},
	{"github.com/spf13/cobra", []string{"cmd/benchvigil"}, "flags are main's business"},
	{"github.com/google/gousb", []string{"internal/usb/scan"}, "C code that hangs or faults must not take the watch down: it runs in a child process"},
	{"github.com/godbus/dbus", []string{"internal/inhibit"}, "the system is asked for one thing, in one place"},
	{"go.bug.st/serial", []string{"internal/supply"}, "its listing of ports opens and resets them: one package knows not to call it"},
	{"github.com/mattn/go-sqlite3", []string{"internal/ledger"}, "there is one durable store, and one package that opens it as it must be opened"},
	{"github.com/pressly/goose", []string{"internal/ledger"}, "only the one store is migrated"},
	{"github.com/fsnotify/fsnotify", []string{"internal/config"}, "only the configuration is followed on disk"},
	{"github.com/prometheus", []string{"internal/metrics"}, "metrics are pulled from snapshots: nobody else counts"},
	{"go.yaml.in/yaml", []string{"internal/config", "internal/profile"}, "YAML is for people's files: what programs exchange is JSON"},
}

// unreachable are packages that some of ours must not depend on even through
// others.
var unreachable = []struct {
	from []string
	to   string
	why  string
}{
	{
		[]string{"internal/unit", "internal/bench", "internal/stats", "internal/profile", "internal/infer", "internal/learn", "internal/signature"},
		"net",
		"pure packages are linked into anything, and start nothing behind its back",
	},
	{
		[]string{
			"internal/unit", "internal/bench", "internal/profile", "internal/infer", "internal/learn", "internal/signature", "internal/recording", "internal/station",
			"internal/config", "internal/usb", "internal/supply", "internal/sim/...", "internal/vmtest/guest",
		},
		"github.com/google/gousb",
		"without cgo they can be fuzzed, built for other systems and run in a bare virtual machine",
	},
}
