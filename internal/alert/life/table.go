package life

import "benchvigil/internal/bench"

// input is what can happen at a point.
type input string

// The inputs.
const (
	raise       input = "raise"       // a new occurrence
	amend       input = "amend"       // more is known of the same one
	worsen      input = "worsen"      // the same one, or the next of a shelved point, weighs more than before
	back        input = "return"      // it is over
	acknowledge input = "acknowledge" // the deeds of people
	shelve      input = "shelve"
	unshelve    input = "unshelve" // also by the time
	takeOut     input = "take-out"
	putBack     input = "put-back"
	suppress    input = "hold"    // a person is at the station; given only to what stands or is news
	release     input = "release" // nobody is any more
	close       input = "close"   // it is over for long, and nobody cared
)

func inputs() []input {
	return []input{raise, amend, worsen, back, acknowledge, shelve, unshelve, takeOut, putBack, suppress, release, close}
}

// States that depend on the alert.
const (
	stays   bench.AlertState = ""
	resumes bench.AlertState = "as it stands" // suppressed while held; else unacknowledged if it stands, returned if it is news, normal
	settled bench.AlertState = "seen to"      // acknowledged if it stands, normal if it does not
)

// step is what an input makes of a state. Without a type nothing is told, and
// nothing changes.
type step struct {
	to      bench.AlertState
	tells   bench.EventType
	refusal string // why a person's deed is refused
}

func no(why string) step { return step{refusal: why} }

var nothing step

// The steps that many states share.
var (
	raises     = step{to: resumes, tells: bench.AlertWasRaised}
	notes      = step{tells: bench.AlertWasChanged}
	shelves    = step{to: bench.AlertShelved, tells: bench.AlertWasShelved}
	holds      = step{to: bench.AlertSuppressed, tells: bench.AlertWasSuppressed}
	takesOut   = step{to: bench.AlertOutOfService, tells: bench.AlertWasTakenOut}
	settles    = step{to: settled, tells: bench.AlertWasAcknowledged}
	notShelved = no("it is not shelved")
	inService  = no("it is in service")
)

// table is the whole of the life: every input to every state.
//
// Beyond the standards: what is news (nothing stands that could return) comes in
// as returned and not acknowledged; what a shelf was not made for, because it
// weighs more, does not stay on it; an acknowledged alert that gets worse rings
// again; what is held back can be acknowledged.
var table = map[bench.AlertState]map[input]step{
	bench.AlertNormal: {
		raise: raises, amend: nothing, worsen: nothing, back: nothing,
		acknowledge: no("it is over, and nothing is left to acknowledge"),
		shelve:      shelves, unshelve: notShelved, takeOut: takesOut, putBack: inService,
		suppress: nothing, release: nothing, close: nothing,
	},
	bench.AlertUnacknowledged: {
		raise: raises, amend: notes, worsen: raises,
		back:        {to: bench.AlertReturned, tells: bench.AlertHasReturned},
		acknowledge: settles,
		shelve:      shelves, unshelve: notShelved, takeOut: takesOut, putBack: inService,
		suppress: holds, release: nothing, close: nothing,
	},
	bench.AlertAcknowledged: {
		raise: raises, amend: notes, worsen: raises,
		back:        {to: bench.AlertNormal, tells: bench.AlertHasReturned},
		acknowledge: no("it is acknowledged already"),
		shelve:      shelves, unshelve: notShelved, takeOut: takesOut, putBack: inService,
		suppress: nothing, release: nothing, close: nothing,
	},
	bench.AlertReturned: {
		raise: raises, amend: notes, worsen: notes, back: nothing,
		acknowledge: settles,
		shelve:      shelves, unshelve: notShelved, takeOut: takesOut, putBack: inService,
		suppress: holds, release: nothing,
		close: {to: bench.AlertNormal, tells: bench.AlertHasReturned},
	},
	bench.AlertShelved: {
		raise: {tells: bench.AlertWasRaised}, amend: notes, worsen: raises,
		back:        {tells: bench.AlertHasReturned},
		acknowledge: no("it is shelved: unshelve it first"),
		shelve:      shelves, unshelve: {to: resumes, tells: bench.AlertWasUnshelved},
		takeOut: takesOut, putBack: inService,
		suppress: nothing, release: nothing, close: nothing,
	},
	bench.AlertSuppressed: {
		raise: raises, amend: notes, worsen: notes,
		back:        {to: bench.AlertNormal, tells: bench.AlertHasReturned},
		acknowledge: settles,
		shelve:      shelves, unshelve: notShelved, takeOut: takesOut, putBack: inService,
		suppress: holds, release: {to: resumes, tells: bench.AlertWasReleased}, close: nothing,
	},
	bench.AlertOutOfService: {
		raise: {tells: bench.AlertWasRaised}, amend: notes, worsen: notes,
		back:        {tells: bench.AlertHasReturned},
		acknowledge: no("it is out of service: put it back first"),
		shelve:      no("it is out of service: put it back first"), unshelve: notShelved,
		takeOut: no("it is out of service already"), putBack: {to: resumes, tells: bench.AlertWasPutBack},
		suppress: nothing, release: nothing, close: nothing,
	},
}
