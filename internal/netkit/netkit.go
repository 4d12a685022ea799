// Package netkit gives connections an end, however busy the other side keeps them.
//
// It imports the standard library only. Packages delivery/mail and returns use it.
package netkit

import (
	"net"
	"time"
)

// Ending is a connection whose deadlines never pass End, so that a peer that sends one
// byte a minute can hold neither a worker nor a place.
type Ending struct {
	net.Conn
	End time.Time
}

// Renew gives the conversation a new end.
func (e *Ending) Renew(end time.Time) {
	e.End = end
	_ = e.Conn.SetDeadline(end) // a closed connection has no need of one
}

func (e *Ending) cap(t time.Time) time.Time {
	if t.IsZero() || t.After(e.End) {
		return e.End
	}
	return t
}

// SetDeadline keeps the end where it is.
func (e *Ending) SetDeadline(t time.Time) error { return e.Conn.SetDeadline(e.cap(t)) }

// SetReadDeadline keeps the end where it is.
func (e *Ending) SetReadDeadline(t time.Time) error { return e.Conn.SetReadDeadline(e.cap(t)) }

// SetWriteDeadline keeps the end where it is.
func (e *Ending) SetWriteDeadline(t time.Time) error { return e.Conn.SetWriteDeadline(e.cap(t)) }
