package reminder

import (
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/rulebook"
)

// Standing is where a task stands for those who plan the work.
type Standing string

// The standings of a task.
const (
	StandsOpen   Standing = "open"          // nobody said anything that still holds
	StandsPutOff Standing = "put_off"       // somebody asked for later
	StandsAsked  Standing = "booking_asked" // somebody asked for an appointment
	StandsSaid   Standing = "done_reported" // somebody says it is done; the record does not show it
	StandsBooked Standing = "booked"        // a day is agreed on which it is done
	StandsDone   Standing = "done"          // it was just completed and is no task any more
)

// Standings lists them.
var Standings = []Standing{StandsOpen, StandsPutOff, StandsAsked, StandsSaid, StandsBooked, StandsDone}

// Question is what Stands is asked about.
type Question struct {
	Coach  coach.ID
	Kind   coach.TaskKind
	Key    string
	Target civil.Date
}

// Stands returns where a task stands on a day, by the days that are agreed and by what
// people answered, the strongest of what holds, and the last day of those until which
// somebody put it off; 0: nobody did.
func Stands(r *rulebook.Rulebook, q Question, pins []coach.Pin, answers []Answer,
	on civil.Date) (Standing, civil.Date) {
	out, until := StandsOpen, civil.Date(0)
	for _, a := range answers {
		if a.TaskKey != q.Key {
			continue
		}
		reason, end := a.silence(q.Kind, on, r.Manners.BookingDays)
		now := map[Reason]Standing{DoneReported: StandsSaid, BookedAsked: StandsAsked, Snoozed: StandsPutOff}[reason]
		if now == StandsPutOff {
			until = max(until, end)
		}
		if slices.Index(Standings, now) > slices.Index(Standings, out) {
			out = now
		}
	}
	if pinned(r, pins, q.Coach, q.Kind, q.Target, on) {
		out = StandsBooked
	}
	return out, until
}

// silence returns why an answer about a task of a kind still asks for silence on a day,
// or "", and the day on which that ends; 0: it does not end.
func (a *Answer) silence(k coach.TaskKind, today civil.Date, bookingDays int) (r Reason, end civil.Date) {
	switch {
	case a.Kind == Done && k != coach.SafetyStop:
		return DoneReported, 0
	case a.Kind == Book || a.Kind == Done: // a danger is settled by a reading or the shop, not by a word
		r, end = BookedAsked, a.Day.Add(bookingDays)
	case a.Kind == Later && k == coach.SafetyStop:
		return "", 0 // a danger is not put off
	case a.Kind == Later:
		r, end = Snoozed, a.Until
	default:
		end = a.Until
	}
	if today >= end {
		r = ""
	}
	return r, end
}
