package web

// Severity says how much a person must care. The values are in rising order.
// Their colours follow IEC 60073 (from memory): red danger, yellow abnormal,
// blue an action is needed, green normal, white or grey no meaning of its own.
// Each also has a sign of its own shape, and words.
type Severity int

// The severities.
const (
	Neutral  Severity = iota // no run: nothing to judge
	Normal                   // a run goes on as it should
	Action                   // the watch is blind until somebody sees to it
	Abnormal                 // the board does not do what it should
	Danger                   // the board dropped
)

// severities are in the order in which people want to hear of them.
var severities = []Severity{Danger, Abnormal, Action, Normal, Neutral}

var severityNames = [...]struct{ name, word, meaning string }{
	Neutral:  {"neutral", "idle", "no run goes on"},
	Normal:   {"normal", "normal", "a run goes on as it should"},
	Action:   {"action", "needs you", "the watch is blind there until somebody sees to it"},
	Abnormal: {"abnormal", "abnormal", "a board does not do what it should"},
	Danger:   {"danger", "danger", "a board dropped"},
}

// String is the name that classes and signs go by.
func (s Severity) String() string { return severityNames[s].name }

// Word is what people read.
func (s Severity) Word() string { return severityNames[s].word }

// Meaning explains the word.
func (s Severity) Meaning() string { return severityNames[s].meaning }
