package desk

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/store"
)

// Records is what somebody writes down about a coach in one go.
type Records struct {
	Services []coach.Service
	Readings []coach.Reading
	Seen     int64 // version of the coach that the person saw; 0: whatever it is
}

// Reported reads what a program says of a coach as its record is read.
func (d *Desk) Reported(
	ctx context.Context, id coach.AccountID, c coach.ID, text intake.Text,
) (x Records, ps intake.Problems, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		doc, _, err := tx.CoachDoc(ctx, id, c)
		if err == nil {
			x.Readings, x.Services, ps = intake.Reported(d.today(a), &doc, text)
		}
		return err
	})
	return x, ps, err
}

// Record stores services and readings and dates the coach anew. Recording the same
// twice changes nothing: what was queued without signal may be sent again.
func (d *Desk) Record(ctx context.Context, id coach.AccountID, by string, c coach.ID, x Records) error {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		now, version, err := tx.Coach(ctx, id, c)
		if err != nil {
			return err
		}
		if x.Seen != 0 && version != x.Seen {
			return errChanged(c)
		}
		if err := x.check(&now, d.today(a)); err != nil {
			return err
		}
		var said []string
		var news []store.Happened
		for _, s := range x.Services {
			if slices.ContainsFunc(now.Services, func(o coach.Service) bool {
				noted := s.Note == "" || strings.Contains("; "+o.Note+";", "; "+s.Note+";")
				return noted && ServiceKey(o) == ServiceKey(s) && o.By == s.By
			}) {
				continue
			}
			said = append(said, string(s.Kind))
			news = append(news, store.Happened{Kind: "task.done", Coach: c, Data: map[string]any{"task": s.Kind, "day": s.Day,
				"slide": s.Slide, "run": s.Run, "by": s.By}})
			if err := tx.AddService(ctx, id, c, s); err != nil {
				return err
			}
		}
		for _, r := range x.Readings {
			if slices.Contains(now.Readings, r) {
				continue
			}
			said = append(said, string(r.Kind)+" "+intake.ReadingText(r))
			news = append(news, store.Happened{Kind: "reading.recorded", Coach: c,
				Data: map[string]any{"kind": r.Kind, "value": intake.ReadingText(r), "day": r.Day, "slide": r.Slide, "run": r.Run,
					"part": r.Part, "by": r.By}})
			if err := tx.AddReading(ctx, id, c, r); err != nil {
				return err
			}
			if r.Danger() {
				if err := tx.RenewStop(ctx, id, c, r.Slide); err != nil {
					return err
				}
			}
		}
		if len(said) == 0 {
			return nil // all of it is known
		}
		if err := tx.AddAudit(ctx, id, by, "recorded", string(c), strings.Join(said, ", ")); err != nil {
			return err
		}
		return d.settle(ctx, tx, tools, id, c, news...)
	})
}

// check refuses what names no slide or run of the coach, or a day to come.
func (x Records) check(c *coach.Coach, today civil.Date) error {
	var bad []string
	say := func(day civil.Date, slide coach.SlideID, run string) {
		if day == 0 || day > today {
			bad = append(bad, fmt.Sprintf("the day %s is not one up to today", day))
		}
		if s := c.FindSlide(slide); slide != "" && s == nil || run != "" && !s.HasRun(run) {
			bad = append(bad, fmt.Sprintf("there is no %s/%s on this coach", slide, run))
		}
	}
	for _, s := range x.Services {
		say(s.Day, s.Slide, s.Run)
		if !slices.Contains(coach.TaskKinds, s.Kind) {
			bad = append(bad, fmt.Sprintf("%q is no kind of work", s.Kind))
		}
	}
	for _, r := range x.Readings {
		say(r.Day, r.Slide, r.Run)
		if !slices.Contains(coach.ReadingKinds, r.Kind) {
			bad = append(bad, fmt.Sprintf("%q is no reading", r.Kind))
		}
	}
	if len(x.Services)+len(x.Readings) == 0 {
		bad = append(bad, "nothing was filled in")
	}
	bad = append(bad, x.unseen(c, today)...)
	if len(bad) == 0 {
		return nil
	}
	return fault.New(fault.Invalid, strings.Join(bad, "; "),
		"Correct the fields listed and send it again. Nothing was stored.")
}

// unseen names the rooms under a safety stop whose look does not say how the danger is
// now: who writes such a look down believes the stop to be ended, and it is not.
func (x Records) unseen(c *coach.Coach, today civil.Date) (out []string) {
	for i := range c.Slides {
		id := c.Slides[i].ID
		danger, held := c.DangerOn(id, today)
		looked := slices.ContainsFunc(x.Services, func(s coach.Service) bool {
			return (s.Kind == coach.Inspect || s.Kind == coach.WaterTest) && s.By == "shop" && s.Day > danger.Day &&
				(s.Slide == "" || s.Slide == id)
		})
		told := slices.ContainsFunc(x.Readings, func(r coach.Reading) bool { return r.Kind == danger.Kind && r.Slide == id })
		if held && looked && !told {
			out = append(out, fmt.Sprintf("%s is stopped because of %s, and nothing says how that is now: only a look at it "+
				"ends the stop", c.Slides[i].Name(), dangerNames[danger.Kind]))
		}
	}
	return out
}

var dangerNames = map[coach.ReadingKind]string{coach.Light: "light through the seal", coach.SoftFloor: "a soft floor",
	coach.HoseTest: "water through the seal"}
