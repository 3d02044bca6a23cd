// Package access owns who may see and do what: people with passwords, links for
// walls, sessions, and the trail of what was done. Requests from this computer
// itself need no login; all others do.
package access

import "context"

// Role is what somebody may do.
type Role string

// The roles. Whoever may work may also view.
const (
	View Role = "view" // sees everything, changes nothing
	Work Role = "work" // marks, arms, acknowledges
)

// Who makes a request.
type Who struct {
	Name  string // of the person or the link; empty on this computer, where people say it with each act
	Role  Role
	Local bool // on this computer, without login
	Wall  bool // by the link of a wall: it shows the wall alone
}

// Works reports whether that one may change anything.
func (w Who) Works() bool { return w.Role == Work }

type key struct{}

// With returns a context in which requests are made by w.
func With(ctx context.Context, w Who) context.Context { return context.WithValue(ctx, key{}, w) }

// Of is who makes a request. Where nobody was found out, that one may do nothing.
func Of(ctx context.Context) Who {
	w, _ := ctx.Value(key{}).(Who)
	return w
}
