package reminder

import (
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

// The hours of a person's day in which a safety stop leaves, on any day of the week: from
// StopFrom until StopUntil. Our default; common practice, no source.
const (
	StopFrom  = 7
	StopUntil = 21
)

// StopWait is how long the message about a danger that the shop itself found waits for
// somebody to say whether it shall leave: the shop may rather call first.
const StopWait = 2 * time.Hour

// StopTime returns when a message about a danger may leave: now, or at the next StopFrom
// when people sleep.
func StopTime(now time.Time, loc *time.Location) time.Time {
	here := now.In(loc)
	day := civil.FromTime(here)
	switch {
	case here.Hour() < StopFrom:
		return day.In(loc, StopFrom, 0)
	case here.Hour() >= StopUntil:
		return day.Add(1).In(loc, StopFrom, 0)
	}
	return now
}

// StopTimeFor is StopTime in the zone of a person of a coach.
func StopTimeFor(a *coach.Account, c *coach.Coach, p *coach.Person, today civil.Date, now time.Time) time.Time {
	in := Input{Account: a, Coach: c, Today: today}
	return StopTime(now, in.zone(p))
}

// leaves returns when a message led by a task may leave.
func (in *Input) leaves(p *coach.Person, lead *plan.Task) time.Time {
	loc := in.zone(p)
	if lead.Kind != coach.SafetyStop {
		return NextHours(in.Rules.Manners, in.Today, in.Now, loc)
	}
	now := in.Now
	if now.IsZero() {
		now = in.Today.In(loc, 0, 0)
	}
	if danger, ok := in.Coach.DangerOn(lead.Slide, in.Today); ok && danger.By == "shop" {
		now = now.Add(StopWait)
	}
	return StopTime(now, loc)
}

// What people are told when light alone was seen: nothing gives way and nothing drips, but
// rain may come in.
var (
	lightTitle = wording.Say("Keep this slide-out dry and send us a photo")
	lightHow   = []wording.Text{
		wording.Say("Keep rain and wash water off this slide-out: park it under cover, or leave the slide-out in."),
		wording.Say("Take a photo of the spot where light shows, and send it to the shop with your answer to this message."),
		wording.Say("The shop tells you what to do next. No other reminder about this slide-out comes until then."),
	}
	lightCautions = []string{"makers", "moving_room", "damp"}
)

// StopRule returns what a safety stop tells its people: the rulebook's words, or milder
// ones when light through a seal is all that was seen on the slides.
func StopRule(rule rulebook.Task, c *coach.Coach, slides []coach.SlideID, today civil.Date) rulebook.Task {
	for _, s := range slides {
		for _, r := range c.DangersOn(s, today) {
			if r.Kind != coach.Light {
				return rule
			}
		}
	}
	rule.Title, rule.Cautions, rule.How = lightTitle.String(), lightCautions, nil
	for _, h := range lightHow {
		rule.How = append(rule.How, h.String())
	}
	return rule
}
