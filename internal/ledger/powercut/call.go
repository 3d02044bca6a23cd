package powercut

// Kind is what a call does.
type Kind int

// The kinds of calls.
const (
	Create Kind = iota // a file Path, where there is none
	Mkdir
	Write    // Data at At
	Truncate // to At bytes, shorter or longer
	Rename   // from Path to To
	Remove
	SyncBegins // of a file or folder, by a thread
	SyncEnds
	Say // Data, to a pipe
)

// Call is something that a process did.
type Call struct {
	Kind     Kind
	Path, To string // absolute
	At       int64
	Data     []byte
	By       string // the thread; at syncs
}
