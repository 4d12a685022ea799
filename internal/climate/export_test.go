package climate

// HourShare lets the published table check an hour's share of the day.
func HourShare(s SolarDay, w float64) float64 { rt, _ := s.hourShares(w); return rt }
