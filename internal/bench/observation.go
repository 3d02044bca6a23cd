package bench

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/unit"
)

// Observation is one fact from outside about one station. At is wall time
// stamped by the source when the fact was true, rounded to the millisecond
// before infer or a recording sees it.
type Observation struct {
	At      time.Time
	Station string
	Fact    Fact
}

// Fact is what was observed: exactly one of Power, Temperature, USB, Traffic,
// Mark, Supply, USBSource or Clock.
type Fact interface{ fact() }

// Power is one reading of a supply or meter. A quantity that the instrument
// did not give, or answered with not-a-number, is unknown. Output is the
// supply's output switch; SetVolts and LimitAmps are its settings.
type Power struct {
	Volts     unit.Maybe[unit.Voltage]
	Amps      unit.Maybe[unit.Current]
	SetVolts  unit.Maybe[unit.Voltage]
	LimitAmps unit.Maybe[unit.Current]
	Output    unit.Maybe[bool]
	Channel   string // ChannelMain or empty: the board's supply; ChannelVBUS: a meter on USB bus power
}

// The channels. Only the readings of the main one are the board's.
const (
	ChannelMain        = "main"
	ChannelVBUS        = "vbus"        // a meter on USB bus power
	ChannelThermometer = "thermometer" // a thermometer beside the board; it has no Power
)

// Temperature is what a sensor beside the board shows. It is shown and
// recorded; no conclusion is drawn from it.
type Temperature struct{ Celsius unit.Temperature }

// USBChange says what happened on the station's port.
type USBChange string

// The USB changes. A device that changes its identity is removed and added.
// Details brings what could only be read aside, such as the serial number.
const (
	USBAdd     USBChange = "add"
	USBRemove  USBChange = "remove"
	USBDetails USBChange = "details"
)

// USB is one change on the station's port path. After a source starts it says
// once what stands there: an add, or a remove for an empty port.
type USB struct {
	Change USBChange
	Port   string // bus and chain of ports, "1-2.3"
	ID     USBID  // unset for a removal
	Serial string // only in details, where the device has one
	Number int    // of an add: the device number that the kernel gave this enumeration on its bus; 0: unknown
}

// Traffic is the count of URBs that the kernel has submitted for the device
// since it was enumerated. Only its growth means anything.
type Traffic struct{ URBs uint64 }

// Mark is what a person said about the station, by one key or tap.
type Mark struct {
	By   string
	Kind string        // one of the kinds below
	Text string        // the screen of a screen mark, the goal of an arm mark, the number of a case; else free words
	For  time.Duration // of hands-on; 0: DefaultHandsOn
}

// The kinds of marks.
const (
	MarkStop     = "stop"      // I end this run: never counted against the board
	MarkResume   = "resume"    // that stop was a mistake: the run goes on, if nothing was off since
	MarkMine     = "mine"      // that was me: the last drop was a person's doing
	MarkHandsOn  = "hands-on"  // I am at the station: alerts wait, nothing is counted against the board
	MarkHandsOff = "hands-off" // I am done
	MarkScreen   = "screen"    // what only a person sees: Text is a Screen
	MarkWarm     = "warm"      // the board is warm
	MarkHookup   = "hook-up"   // reseated, or a part changed: a new hook-up, whose odds are its own
	MarkCase     = "case"      // the board belongs to this case: Text is its number; empty: to none
	MarkNote     = "note"      // free words
	MarkArm      = "arm"       // watch for this: Text is a Goal; it takes the place of the goal before it
	MarkDone     = "done"      // the armed goal is reached: I saw it
	MarkDisarm   = "disarm"    // watch for nothing
)

// Automatic signs the goals that nobody armed by hand.
const Automatic = "auto"

// DefaultHandsOn is how long hands-on lasts unless the mark says otherwise, and
// MostHandsOn how long it can last: a station must not stay silent because
// somebody went home.
const (
	DefaultHandsOn = 10 * time.Minute
	MostHandsOn    = 2 * time.Hour
)

// MineWithin is how long after a drop a person may still say that it was
// theirs, and StopWithin how long after it a stop still means that drop.
const (
	MineWithin = 10 * time.Minute
	StopWithin = time.Minute
)

// MarkKinds lists the kinds of marks.
func MarkKinds() []string {
	return []string{MarkStop, MarkResume, MarkMine, MarkHandsOn, MarkHandsOff, MarkScreen, MarkWarm, MarkHookup, MarkCase, MarkNote, MarkArm, MarkDone, MarkDisarm}
}

// Screen is what a person sees on a device's screen.
type Screen string

// The screens.
const (
	ScreenBlank    Screen = "blank"
	ScreenLogo     Screen = "logo"
	ScreenLock     Screen = "lock screen"
	ScreenRepair   Screen = "repair prompt"
	ScreenDelay    Screen = "delay shown"
	ScreenTrust    Screen = "trust prompt"
	ScreenUnlocked Screen = "unlocked"
	ScreenProgress Screen = "progress bar"
)

// Screens lists what can be marked.
func Screens() []Screen {
	return []Screen{ScreenBlank, ScreenLogo, ScreenLock, ScreenRepair, ScreenDelay, ScreenTrust, ScreenUnlocked, ScreenProgress}
}

// Check says what is wrong with a mark that somebody is about to make.
func (m Mark) Check() error {
	if err := m.Known(); err != nil {
		return err
	}
	switch {
	case m.Kind == MarkNote && strings.TrimSpace(m.Text) == "":
		return errors.New("a note needs words")
	case m.For < 0 || m.For > MostHandsOn:
		return fmt.Errorf("hands on for %v: want up to %v", m.For, MostHandsOn)
	case m.For != 0 && m.Kind != MarkHandsOn:
		return fmt.Errorf("only %s lasts for a time", MarkHandsOn)
	case len(m.Text) > maxMarkText || len(m.By) > maxMarkText:
		return fmt.Errorf("a mark holds up to %d bytes of text", maxMarkText)
	}
	return nil
}

// Known says what in a mark means nothing: its kind, its screen or its goal.
// Marks in recordings are held to this alone.
func (m Mark) Known() error {
	switch {
	case !slices.Contains(MarkKinds(), m.Kind):
		return fmt.Errorf("%q is no mark: there are %s", m.Kind, strings.Join(MarkKinds(), ", "))
	case m.Kind == MarkScreen && !slices.Contains(Screens(), Screen(m.Text)):
		return fmt.Errorf("%q is no screen: there are %s", m.Text, screenNames())
	case m.Kind == MarkArm:
		_, err := ParseGoal(m.Text)
		return err
	case m.Kind == MarkCase && m.Text != "":
		return CheckCase(m.Text)
	}
	return nil
}

// MostCase is how long the number of a case may be.
const MostCase = 12

// CheckCase says what is wrong with the number of a case: customers are never
// named, and it stands on lock screens.
func CheckCase(number string) error {
	if len(number) > MostCase || !caseNumber.MatchString(number) || !strings.ContainsAny(number, "0123456789") {
		return fmt.Errorf("%q is no case number: want up to %d letters, digits, - or /, with a digit in it, such as 2417 or R-2417; no names", number, MostCase)
	}
	return nil
}

var caseNumber = regexp.MustCompile(`^[0-9A-Za-z][-/0-9A-Za-z]*$`)

// maxMarkText bounds what a person may write.
const maxMarkText = 1000

func screenNames() string {
	var names []string
	for _, s := range Screens() {
		names = append(names, string(s))
	}
	return strings.Join(names, ", ")
}

// Sight says whether a source works.
type Sight string

// The states of a source. Trouble is an error that did not end the readings,
// such as an entry of the instrument's error queue.
const (
	Lost    Sight = "lost"
	Back    Sight = "back"
	Trouble Sight = "error"
)

// Supply is news of the instrument itself.
type Supply struct {
	Change  Sight
	Error   string
	Channel string // which instrument, as in Power; also ChannelThermometer
}

// USBSource is news of the USB watch itself, not of a device.
type USBSource struct {
	Change Sight
	Error  string
}

// Clock is news of time. A Jump says by how much the wall clock was stepped,
// At being the time after the step; without an amount nobody knows by how much.
// End says that time passed until At with nothing else to tell, and that the
// watch ends there. A Gap says that the watch is taken up again at At and that
// nobody watched for so long before: that silence is no evidence. What follows
// an End without a Gap began anew.
type Clock struct {
	Jump     time.Duration
	End      bool
	Gap      time.Duration // 0: no gap
	Rebooted bool          // of a gap: the computer was started in it, or may have been; device numbers mean nothing across it
}

func (Power) fact()       {}
func (Temperature) fact() {}
func (USB) fact()         {}
func (Traffic) fact()     {}
func (Mark) fact()        {}
func (Supply) fact()      {}
func (USBSource) fact()   {}
func (Clock) fact()       {}
