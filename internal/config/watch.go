package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"
)

// settleFor is how long the files must be left alone before a change counts: a
// program that saves a file does so in several steps.
const settleFor = 300 * time.Millisecond

// Watcher notices that a configuration file or one of its profiles changed.
// It watches their folders, because files are replaced rather than written.
type Watcher struct {
	file    string
	watch   *fsnotify.Watcher
	changed chan struct{}
	follow  chan string
	done    chan struct{}
}

// Watch begins to watch the file and a folder of profiles. Close it.
func Watch(file, profiles string) (*Watcher, error) {
	f, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, fmt.Errorf("watch configuration: %w", err)
	}
	w := &Watcher{file, f, make(chan struct{}, 1), make(chan string), make(chan struct{})}
	if err := w.folders(profiles); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	go w.run(profiles, fingerprint(file, profiles))
	return w, nil
}

// Changed gets a token when something changed and was left alone since.
func (w *Watcher) Changed() <-chan struct{} { return w.changed }

// Follow says where the profiles are now.
func (w *Watcher) Follow(profiles string) {
	select {
	case w.follow <- profiles:
	case <-w.done:
	}
}

// Close ends the watch.
func (w *Watcher) Close() error {
	err := w.watch.Close()
	<-w.done
	return err
}

// folders watches what should be watched, and nothing else.
func (w *Watcher) folders(profiles string) error {
	want := map[string]bool{filepath.Dir(w.file): true, filepath.Clean(profiles): true}
	if real, err := filepath.EvalSymlinks(w.file); err == nil {
		want[filepath.Dir(real)] = true
	}
	for _, dir := range w.watch.WatchList() {
		if !want[dir] {
			_ = w.watch.Remove(dir) // it may have gone by itself
		}
	}
	var errs []error
	for dir := range want {
		if err := w.watch.Add(dir); err != nil {
			errs = append(errs, fmt.Errorf("watch folder %s: %w", dir, err))
		}
	}
	return errors.Join(errs...)
}

// run compares the files after every event: what else happens in the folders
// makes no difference.
func (w *Watcher) run(profiles, seen string) {
	defer close(w.done)
	settled := time.NewTimer(time.Hour)
	settled.Stop()
	look := func() {
		if now := fingerprint(w.file, profiles); now != seen {
			seen = now
			settled.Reset(settleFor)
		}
	}
	for {
		select {
		case _, ok := <-w.watch.Events:
			if !ok {
				return
			}
			look()
		case _, ok := <-w.watch.Errors: // such as an overflow: something was missed
			if !ok {
				return
			}
			look()
		case profiles = <-w.follow:
			_ = w.folders(profiles) // a folder that is not there is said when it is read
			look()
		case <-settled.C:
			_ = w.folders(profiles) // one of them may have been made anew
			select {
			case w.changed <- struct{}{}:
			default:
			}
		}
	}
}

// fingerprint changes with the file and with every profile.
func fingerprint(file, profiles string) string {
	var b strings.Builder
	add := func(name string, info fs.FileInfo, err error) {
		if err != nil {
			fmt.Fprintln(&b, name, "unreadable")
			return
		}
		fmt.Fprintln(&b, name, info.Size(), info.ModTime().UnixNano())
	}
	info, err := os.Stat(file)
	add(file, info, err)
	entries, err := os.ReadDir(profiles)
	if err != nil {
		add(profiles, nil, err)
	}
	for _, e := range entries {
		if filepath.Ext(e.Name()) == ".yaml" {
			info, err := os.Stat(filepath.Join(profiles, e.Name())) // through links
			add(e.Name(), info, err)
		}
	}
	return b.String()
}
