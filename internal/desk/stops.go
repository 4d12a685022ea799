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
)

// lostStops tells of coaches that are about to be stored which of them leave out, or
// rename, a slide under a safety stop: what people read on it would hold no room any
// more. A slide that was left out before is not asked about again.
func lostStops(ctx context.Context, tx *store.Tx, id coach.AccountID, today civil.Date, cs []*coach.Coach) (map[coach.ID]string, error) {
	ids := make([]coach.ID, len(cs))
	for i, c := range cs {
		ids[i] = c.ID
	}
	read, err := tx.SlidesRead(ctx, id, ids)
	if err != nil {
		return nil, err
	}
	out := map[coach.ID]string{}
	for _, c := range cs {
		gone := slices.DeleteFunc(read[c.ID], c.HasSlide)
		if len(gone) == 0 {
			continue
		}
		was, _, err := tx.Coach(ctx, id, c.ID)
		if err != nil {
			return nil, err
		}
		for _, s := range gone {
			if danger, held := was.DangerOn(s, today); held && was.HasSlide(s) {
				out[c.ID] = fmt.Sprintf("slide %s of %s is stopped because of %s on %s, and is not in this record any more", s, c.ID, dangerNames[danger.Kind], danger.Day)
			}
		}
	}
	return out, nil
}

// errStop refuses an answer that would silence a safety stop.
var errStop = fault.New(fault.Invalid, "a safety stop is neither done nor put off by an answer: only what is seen ends it", "Call the shop. The shop writes down what a look at it found, as a reading.")

// ErrRenews refuses a renewal that is told without the new part: it would re-date nothing.
var ErrRenews = fault.New(fault.Invalid, "a new part is told with its material and day, not as a line of work", "Put the new part into the coach's record (slides, runs, parts), or record a fitting on its page.")

// DangerText says what stops a slide.
func DangerText(r coach.Reading) string {
	return fmt.Sprintf("stopped: %s on %s", dangerNames[r.Kind], r.Day)
}

// stopsHint is what to do about a stop that would be lost.
const stopsHint = "Keep the slide's short name, its label may change; or write down first what a look at it found."

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
