package climate

// HourShare lets the published table check an hour's share of the day.
func HourShare(s SolarDay, w float64) float64 { rt, _ := s.hourShares(w); return rt }

// BeamRatio lets the published table check the ratio of beam on a tilted face.
func BeamRatio(s SolarDay, f Face, w float64) float64 { return s.cosIncidence(f, w) / s.cosZenith(w) }
