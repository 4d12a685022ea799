package desk

import (
	"fmt"
	"slices"
	"time"

	"github.com/emersion/go-ical"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// visitHours is how long a visit stands in a calendar: to bring the coach and hand it
// over (our default). The work itself takes as long as the shop says.
const visitHours = 1

// timed gives an event a time of its own in the shop's zone.
func timed(ev *ical.Event, a coach.Account, day civil.Date, at int) {
	loc := a.Location()
	from := day.In(loc, at/60, at%60)
	if loc == time.UTC {
		ev.Props.SetDateTime(ical.PropDateTimeStart, from)
		ev.Props.SetDateTime(ical.PropDateTimeEnd, from.Add(visitHours*time.Hour))
		return
	}
	for name, t := range map[string]time.Time{ical.PropDateTimeStart: from,
		ical.PropDateTimeEnd: from.Add(visitHours * time.Hour)} {
		p := ical.NewProp(name)
		p.Params.Set("TZID", a.Zone)
		p.Value = t.In(loc).Format("20060102T150405")
		ev.Props.Set(p)
	}
}

// zone returns the VTIMEZONE of a zone for the years that the entries touch: each change
// of its clock as an observance of its own, which every reader understands. It is nil
// when no entry has a time, or the zone is UTC.
func zone(loc *time.Location, es []store.Entry) *ical.Component {
	if loc == time.UTC || !slices.ContainsFunc(es, func(e store.Entry) bool {
		return e.Kind == "visit" && e.Words != ClockText(0)
	}) {
		return nil
	}
	first, err := civil.Parse(es[0].Day)
	if err != nil {
		return nil
	}
	last, err := civil.Parse(es[len(es)-1].Day)
	if err != nil {
		return nil
	}
	c := ical.NewComponent(ical.CompTimezone)
	c.Props.SetText(ical.PropTimezoneID, loc.String())
	at, end := first.Add(-1).In(loc, 12, 0).ZoneBounds()
	if at.IsZero() { // a zone that never changed
		at = civil.Of(1970, 1, 1).In(loc, 0, 0)
	}
	for {
		c.Children = append(c.Children, observance(at))
		if end.IsZero() || end.After(last.Add(2).In(loc, 0, 0)) {
			return c
		}
		at, end = end.ZoneBounds()
	}
}

// observance is a stretch of time with one offset, from an instant on.
func observance(at time.Time) *ical.Component {
	kind := ical.CompTimezoneStandard
	if at.IsDST() {
		kind = ical.CompTimezoneDaylight
	}
	c := ical.NewComponent(kind)
	_, was := at.Add(-time.Second).Zone()
	name, now := at.Zone()
	start := ical.NewProp(ical.PropDateTimeStart)
	start.Value = at.UTC().Add(time.Duration(was) * time.Second).Format("20060102T150405") // in the time that held before
	c.Props.Set(start)
	for prop, v := range map[string]int{ical.PropTimezoneOffsetFrom: was, ical.PropTimezoneOffsetTo: now} {
		p := ical.NewProp(prop)
		p.Value = offset(v)
		c.Props.Set(p)
	}
	c.Props.SetText(ical.PropTimezoneName, name)
	return c
}

func offset(seconds int) string {
	sign := "+"
	if seconds < 0 {
		sign, seconds = "-", -seconds
	}
	return fmt.Sprintf("%s%02d%02d", sign, seconds/3600, seconds/60%60)
}
