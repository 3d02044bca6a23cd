// Package powercut says what a power cut may leave of the files that a process
// wrote: it reads what strace saw the process do, and models a disk that keeps
// what was synced and does as it likes with everything else.
//
// # What the disk may do
//
// Of a file, what was written, truncated or extended before a sync began is
// there once the sync returned. Of what came later, each sector of 512 bytes
// may be as it was or as it was after any of the changes since, on its own; so
// writes are lost, torn and reordered. The length may be any that the file had since,
// whatever became of its content, and what was never written may be rubbish.
//
// Of a folder, a new, renamed or removed name is safe only once the folder was
// synced; until then each change may be lost on its own. Syncing a
// file does not save its name. A rename is never seen half done.
//
// The model is harsher than the file systems in use, which order more than
// this; it is not harsher than what POSIX promises.
package powercut
