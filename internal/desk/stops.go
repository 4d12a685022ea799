package desk

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

// lostStops tells of coaches that are about to be stored which of them would end a safety
// stop by what they leave out, rename or claim: only what was seen ends one, or new parts.
func lostStops(
	ctx context.Context, tx *store.Tx, id coach.AccountID, today civil.Date, cs []*coach.Coach,
) (map[coach.ID]string, error) {
	ids := make([]coach.ID, len(cs))
	for i, c := range cs {
		ids[i] = c.ID
	}
	read, err := tx.DangersRead(ctx, id, ids)
	if err != nil {
		return nil, err
	}
	out := map[coach.ID]string{}
	for _, c := range cs {
		if !read[c.ID] {
			continue
		}
		was, _, err := tx.Coach(ctx, id, c.ID)
		if err != nil {
			return nil, err
		}
		now, err := tx.Reported(ctx, id, *c)
		if err != nil {
			return nil, err
		}
		for i := range was.Slides {
			s := was.Slides[i].ID
			danger, held := was.DangerOn(s, today)
			if !held {
				continue
			}
			if how := endedBy(&now, danger, today); how != "" {
				out[c.ID] = fmt.Sprintf("slide %s of %s is stopped because of %s on %s, and %s", s, c.ID, dangerNames[danger.Kind],
					danger.Day, how)
			}
		}
	}
	return out, nil
}

// endedBy tells how a coach as it is about to be stored would end a danger that nobody
// saw to be over; "" when it does not, or rightly so.
func endedBy(now *coach.Coach, danger coach.Reading, today civil.Date) string {
	if now.FindSlide(danger.Slide) == nil {
		return "is not in this record any more"
	}
	if _, held := now.DangerOn(danger.Slide, today); held {
		return ""
	}
	seen := slices.ContainsFunc(now.Readings, func(r coach.Reading) bool {
		return r.Slide == danger.Slide && r.Kind == danger.Kind && r.Day >= danger.Day && !r.Danger()
	})
	if seen || danger.Kind != coach.SoftFloor && renewed(now, danger.Slide, danger.Run, danger.Day) {
		return ""
	}
	return "this record would end that without a look or a new part"
}

// errStop refuses an answer that would silence a safety stop.
var errStop error = forPerson(fault.Invalid,
	wording.Say("A safety stop is not ended or put off by an answer: only an inspection ends it."),
	wording.Say("Call the shop. The shop records what the inspection found, as a reading."))

// ErrRenews refuses a renewal that is told without the new part: it would re-date nothing.
var ErrRenews = fault.New(fault.Invalid, "a new part is told with its material and day, not as a line of work",
	"Put the new part into the coach's record (slides, runs, parts), or record a fitting on its page.")

// DangerText says what stops a slide.
func DangerText(r coach.Reading) string {
	return fmt.Sprintf("stopped: %s on %s", dangerNames[r.Kind], r.Day)
}

// stopsHint is what to do about a stop that would be lost.
const stopsHint = "Keep the slide's short name, its label may change, and the reading; write down what a look at it " +
	"found, or put in the new part."

// keepStops refuses coaches that would lose a safety stop, all in one report.
func keepStops(ctx context.Context, tx *store.Tx, id coach.AccountID, today civil.Date, cs []coach.Coach) error {
	ps := make([]*coach.Coach, len(cs))
	for i := range cs {
		ps[i] = &cs[i]
	}
	lost, err := lostStops(ctx, tx, id, today, ps)
	if err != nil || len(lost) == 0 {
		return err
	}
	return fault.New(fault.Invalid, strings.Join(slices.Sorted(maps.Values(lost)), "; "), stopsHint)
}
