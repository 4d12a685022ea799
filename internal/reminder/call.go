package reminder

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Call is what the shop wrote down about a call to a person about a task.
type Call struct {
	Person  string // as coach.Person.Ref names them
	TaskKey string
	Outcome CallOutcome
	Day     civil.Date
}

// CallOutcome is what came of a call, or what the shop chose instead of a message.
type CallOutcome string

// The outcomes. PhoneOnly is a choice, not yet a call: the person stays on the list until
// somebody has reached them.
const (
	CallReached CallOutcome = "reached"
	PhoneOnly   CallOutcome = "by_phone"
)

// CallRest is for how many days a person who was reached is not put on the call list again
// for the same task. A safety stop rests until the danger is over: its key names the day
// of the reading. Our default; common practice, no source.
const CallRest = 60

// called returns what the shop's calls to a person about a task ask for, or "".
func (in *Input) called(p *coach.Person, c *candidate) (r Reason) {
	key, stop := c.task.Key(), c.task.Kind == coach.SafetyStop
	for _, x := range in.Calls {
		if x.TaskKey != key || x.Person != p.Ref() {
			continue
		}
		switch {
		case x.Outcome == CallReached && (stop || in.Today < x.Day.Add(CallRest)):
			return Reached
		case x.Outcome == PhoneOnly:
			r = ByPhone
		}
	}
	return r
}
