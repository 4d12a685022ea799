package desk

import (
	"context"
	"fmt"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
)

// ReadFeed gets and reads a coach's booking feed; what is wrong with it comes back
// as lines that name the coach.
func ReadFeed(ctx context.Context, get Fetch, c *coach.Coach, today civil.Date) (out []coach.Booking, lines []string) {
	data, err := get(ctx, c.Feed)
	if err != nil {
		return nil, []string{fmt.Sprintf("booking feed of %s: %s", c.ID, fault.Plain(err))}
	}
	bs, bad := intake.ParseFeed(data, c.Location(today), today)
	for _, b := range bad {
		lines = append(lines, fmt.Sprintf("booking feed of %s: %s %s", c.ID, b.Where, b.Message))
	}
	for i := range bs {
		bs[i].Source = c.Feed
	}
	return bs, lines
}
