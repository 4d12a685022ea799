package reminder

import "errors"

// ErrSettled says that the outcome of a try cannot be recorded: it is on record
// already, or another worker has taken the notice over. Trying again changes nothing.
var ErrSettled = errors.New("its outcome is on record already, or another worker has it")

// Short is the beginning of a notice's number, by which people and events name it.
func Short(linkID string) string { return linkID[:min(12, len(linkID))] }

// Reasons lists every reason for silence, for the metrics.
var Reasons = []Reason{NotYet, AlreadyTold, Merged, TooSoon, YearFull, Snoozed, BookedAsked, CallList, Reached, ByPhone,
	OptedOut, NoAddress, BadAddress, CoachSold, DoneReported, Booked, NoConsent}
