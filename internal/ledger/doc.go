// Package ledger owns the one durable store of a bench: a folder with an SQLite
// database that holds what was observed, what was concluded from it, what
// inference remembers, and the alerts that are still to be sent. It knows the
// vocabulary; it draws no conclusions and sends nothing.
//
// # Contract
//
// Acknowledged means committed and synced: what Append, Flush or one of the
// outbox methods returned nil for is there after a crash or a power cut. Events
// are committed with all observations recorded before them, and with the
// alerts they raise, in one transaction; several callers share one. An event
// that is there already (by its ID) is not added again, nor are its alerts.
//
// Record and SaveState never wait for the disk; what they were given is
// committed within a second. While the store cannot be written (disk full), up to
// pendingLimit bytes of it and owedLimit events are kept and written when it can be
// again; Append returns the error, and the event need not be given again.
// What had to be dropped is counted.
//
// One process writes, holding a lock on the folder; any number may read
// meanwhile by OpenReader. All methods may be called from anywhere; those that
// concern one station's observations, from one goroutine at a time.
package ledger
