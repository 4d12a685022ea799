// Package fault is the one error vocabulary of the program: what was being
// done, what kind of failure it is, one sentence for a person and what to do.
//
// It is pure, imports nothing of ours and is used everywhere; package cli and
// package web turn kinds into exit codes and status codes, nobody else does.
package fault

import (
	"errors"
	"strings"
)

// Kind says what the caller may do about an error.
type Kind uint8

// The kinds, from "ours to fix" to "try again".
const (
	Internal    Kind = iota // ours to fix; details go to the log only
	Invalid                 // the input is wrong; the message goes to the person
	NotFound                // no such thing, or not visible to this person
	Conflict                // somebody else changed it first
	Unavailable             // try again later
	Denied                  // this person may not
)

// Error is one link of a chain.
type Error struct {
	Op   string // "store.SaveCoach"; may be empty when Msg says it all
	Kind Kind
	Msg  string // one sentence for a person, may be empty
	Hint string // imperative: "Run 'sealmanac migrate'."
	Err  error
}

// Error joins operation, sentence and cause with ": ".
func (e *Error) Error() string {
	var parts []string
	for _, s := range []string{e.Op, e.Msg} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if e.Err != nil {
		parts = append(parts, e.Err.Error())
	}
	return strings.Join(parts, ": ")
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// KindOf returns the outermost Kind in err's chain. Errors from outside the
// program are Internal.
func KindOf(err error) Kind {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Kind
	}
	return Internal
}

// HintOf returns the innermost hint in err's tree, or "": the place nearest to
// the trouble knows best what to do about it.
func HintOf(err error) string {
	return innermost(err, func(e *Error) string { return e.Hint })
}

// SentenceOf returns the innermost words that were written for a person, or "".
func SentenceOf(err error) string {
	return innermost(err, func(e *Error) string { return e.Msg })
}

// Plain returns err for a person: without the names of operations, the sentences
// and the cause joined with ": ".
func Plain(err error) string {
	var parts []string
	for err != nil {
		e, ok := err.(*Error) //nolint:errorlint // walks the chain itself
		if !ok {
			j, ok := err.(interface{ Unwrap() []error }) //nolint:errorlint // walks the chain itself
			if ok && len(j.Unwrap()) == 1 {
				err = j.Unwrap()[0]
				continue
			}
			if u := errors.Unwrap(err); u != nil {
				if f, ok := errors.AsType[*Error](u); ok && f.Msg != "" {
					err = u // a wrapper around one of ours says nothing new
					continue
				}
			}
			parts = append(parts, err.Error())
			break
		}
		if e.Msg != "" {
			parts = append(parts, e.Msg)
		}
		err = e.Err
	}
	return strings.Join(parts, ": ")
}

// innermost returns the last non-empty text on the way down err's tree; of
// joined errors the first that has one counts.
func innermost(err error, text func(*Error) string) string {
	found := ""
	for err != nil {
		if e, ok := err.(*Error); ok && text(e) != "" { //nolint:errorlint // walks the tree itself
			found = text(e)
		}
		switch u := err.(type) { //nolint:errorlint // walks the tree itself
		case interface{ Unwrap() []error }:
			for _, x := range u.Unwrap() {
				if s := innermost(x, text); s != "" {
					return s
				}
			}
			return found
		default:
			err = errors.Unwrap(err)
		}
	}
	return found
}

// In prefixes err with the operation and keeps its kind. It is meant for
// `defer fault.In("store.Claim", &err)`.
func In(op string, errp *error) {
	if *errp != nil {
		*errp = &Error{Op: op, Kind: KindOf(*errp), Err: *errp}
	}
}

// New returns an error of a kind with a sentence and a hint for a person.
func New(kind Kind, msg, hint string) error { return &Error{Kind: kind, Msg: msg, Hint: hint} }
