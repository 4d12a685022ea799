package intake

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Reported reads readings and services of a coach that is on record, in the form of its
// record, and judges them by the same rules.
func Reported(today civil.Date, c *coach.Coach, text Text) (rs []coach.Reading, ss []coach.Service, ps Problems) {
	r := &reader{opt: Options{Today: today}}
	n := text.object()
	if n == nil {
		return nil, nil, Problems{{Message: "is not a JSON object"}}
	}
	f, about := r.fields(n, ""), *c
	about.Readings, about.Services = nil, nil
	r.readings(f, &about)
	r.services(f, &about)
	f.done()
	return about.Readings, about.Services, r.problems
}
