package cycle

import (
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// DueDays is how long before its target a task makes its coach "due".
const DueDays = 28

// The states of a coach on the board, the gravest first.
const (
	OnHold  = "hold"    // a danger, or a seal that does not fit
	Overdue = "overdue" // a task is past its target and no day is agreed
	Due     = "due"     // a task comes up within DueDays
	Booked  = "booked"  // a day is agreed with the shop
	Fine    = "fine"    // nothing for now
	Undated = "undated" // no stay is known: nothing can be dated
)

// States lists them as the board shows them.
var States = []string{OnHold, Overdue, Due, Booked, Fine, Undated}

// boardRow sums a coach up for the board.
func boardRow(snap Snapshot, c *coach.Coach, o *Outcome) store.BoardRow {
	r := store.BoardRow{Coach: string(c.ID), Label: c.Name(), Class: string(c.Class), Use: string(c.Use), State: Fine,
		NextDay: store.NoDay}
	if st, ok := c.StayOn(snap.Today); ok {
		r.Place = st.Site.Name
	}
	words := []string{r.Label, r.Coach, c.VIN}
	for _, p := range c.People {
		words = append(words, p.Name, p.Email, p.Phone)
	}
	r.People = strings.ToLower(strings.Join(words, " "))
	if c.Sold != 0 && c.Sold <= snap.Today {
		return r
	}
	if !o.Settled {
		r.State = Undated
		return r
	}
	if open := o.Setting.NextOpening(snap.Today); open != 0 {
		r.Opens = open.String()
	}
	for i := range o.Forecasts {
		if f := &o.Forecasts[i]; f.Need > r.Risk {
			r.Risk, r.Worst = f.Need, f.Run+"/"+string(f.Part)
		}
	}
	r.Visit = visitOf(snap, c.ID)
	soon, held := false, false
	for i := range o.Tasks { // by target
		t := &o.Tasks[i]
		switch {
		case holds(t.Kind):
			held = true
		case t.Target < snap.Today:
			r.Overdue++
		case t.Target <= snap.Today+DueDays:
			soon = true
		}
		if r.NextKind == "" {
			r.NextKind, r.NextDay = string(t.Kind), t.Target.String()
		}
	}
	switch {
	case held:
		r.State = OnHold
	case r.Visit != "":
		r.State = Booked
	case r.Overdue > 0:
		r.State = Overdue
	case soon:
		r.State = Due
	}
	return r
}

// visitOf returns the next day agreed for a coach.
func visitOf(snap Snapshot, id coach.ID) string {
	next := ""
	for _, p := range snap.Workshop.Agreed() {
		if d := p.Day.String(); p.Coach == id && p.Day >= snap.Today && (next == "" || d < next) {
			next = d
		}
	}
	return next
}
