// Package usbtest holds fakes of what package usb watches: a sysfs tree in
// memory that may change while it is read, the bytes of kernel uevents, and a
// scripted receiver. It knows the kernel's formats and nothing of watching.
package usbtest

import (
	"bytes"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"
	"time"
)

// Content makes a file's bytes when it is read.
type Content func() ([]byte, error)

// Tree is a directory tree in memory. All methods may be called at any time
// from any goroutine; an open file keeps what it was opened on.
type Tree struct {
	mu   sync.RWMutex
	root dir
}

type dir map[string]any // of dir and Content

// NewTree returns a tree with an empty list of devices.
func NewTree() *Tree {
	t := &Tree{root: dir{}}
	t.root.make(Devices)
	return t
}

// Set gives a file fixed content, making directories as needed.
func (t *Tree) Set(name, text string) {
	t.SetFunc(name, func() ([]byte, error) { return []byte(text), nil })
}

// SetFunc gives a file content that is made at each read, outside any lock.
func (t *Tree) SetFunc(name string, c Content) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.root.make(path.Dir(name))[path.Base(name)] = c
}

// Remove removes a file, or a directory with all it holds. What is not there
// is not removed.
func (t *Tree) Remove(name string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if d, ok := t.root.find(path.Dir(name)).(dir); ok {
		delete(d, path.Base(name))
	}
}

// MakeDir makes an empty directory where there is none.
func (t *Tree) MakeDir(name string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.root.make(name)
}

// make returns the directory of that name, with its parents.
func (d dir) make(name string) dir {
	for part := range strings.SplitSeq(name, "/") {
		if part == "." {
			continue
		}
		sub, ok := d[part].(dir)
		if !ok {
			sub = dir{}
			d[part] = sub
		}
		d = sub
	}
	return d
}

// find returns the directory or file of that name, or nil.
func (d dir) find(name string) any {
	var node any = d
	for part := range strings.SplitSeq(name, "/") {
		if part == "." {
			continue
		}
		d, ok := node.(dir)
		if !ok {
			return nil
		}
		node = d[part]
	}
	return node
}

// ReadFile reads a file as it is now.
func (t *Tree) ReadFile(name string) ([]byte, error) {
	c, _, err := t.lookup("open", name)
	if err != nil {
		return nil, err
	}
	if c == nil {
		return nil, &fs.PathError{Op: "read", Path: name, Err: fs.ErrInvalid}
	}
	b, err := c()
	if err != nil {
		return nil, &fs.PathError{Op: "read", Path: name, Err: err}
	}
	return b, nil
}

// Open opens a file, whose content is made now, or a directory.
func (t *Tree) Open(name string) (fs.File, error) {
	c, entries, err := t.lookup("open", name)
	if err != nil {
		return nil, err
	}
	if c == nil {
		return &openDir{info{path.Base(name), true}, entries}, nil
	}
	b, err := t.ReadFile(name)
	if err != nil {
		return nil, err
	}
	return &openFile{info{path.Base(name), false}, *bytes.NewReader(b)}, nil
}

// Stat tells about a name without reading it.
func (t *Tree) Stat(name string) (fs.FileInfo, error) {
	c, _, err := t.lookup("stat", name)
	if err != nil {
		return nil, err
	}
	return info{path.Base(name), c == nil}, nil
}

// lookup returns a file's content, or nil and a directory's entries in order.
func (t *Tree) lookup(op, name string) (Content, []fs.DirEntry, error) {
	if !fs.ValidPath(name) {
		return nil, nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrInvalid}
	}
	t.mu.RLock()
	defer t.mu.RUnlock()
	switch node := t.root.find(name).(type) {
	case Content:
		return node, nil, nil
	case dir:
		return nil, node.entries(), nil
	}
	return nil, nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
}

func (d dir) entries() (list []fs.DirEntry) {
	for name, node := range d {
		_, isDir := node.(dir)
		list = append(list, fs.FileInfoToDirEntry(info{name, isDir}))
	}
	slices.SortFunc(list, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
	return list
}

type info struct {
	name string
	dir  bool
}

func (i info) Name() string       { return i.name }
func (i info) ModTime() time.Time { return time.Time{} }
func (i info) IsDir() bool        { return i.dir }
func (i info) Sys() any           { return nil }

// Size is a page whatever the file holds, as in sysfs.
func (i info) Size() int64 { return 4096 }

func (i info) Mode() fs.FileMode {
	if i.dir {
		return fs.ModeDir | 0o555
	}
	return 0o444
}

type openFile struct {
	info info
	bytes.Reader
}

func (f *openFile) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *openFile) Close() error               { return nil }

type openDir struct {
	info    info
	entries []fs.DirEntry
}

func (d *openDir) Stat() (fs.FileInfo, error) { return d.info, nil }
func (d *openDir) Close() error               { return nil }

func (d *openDir) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: d.info.name, Err: fs.ErrInvalid}
}

// ReadDir returns the next n entries, or all that are left.
func (d *openDir) ReadDir(n int) ([]fs.DirEntry, error) {
	if n <= 0 {
		n = len(d.entries)
	} else if len(d.entries) == 0 {
		return nil, io.EOF
	}
	n = min(n, len(d.entries))
	list := d.entries[:n]
	d.entries = d.entries[n:]
	return list, nil
}
