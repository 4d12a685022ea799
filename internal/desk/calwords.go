package desk

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

// calWords is how a calendar speaks to those who read it. Entries are kept without
// words: another name or language of theirs is no change of a day.
type calWords struct {
	words  *wording.Words
	owner  bool // it is read by the coach's people
	coach  coach.Coach
	labels map[string]string // of the coaches
	why    map[string]string // reasons in the reader's language, by coach and task
}

// ownerWords are those of a coach's people.
func ownerWords(p *OwnerPage) calWords {
	c := calWords{words: p.Words, owner: true, coach: p.Coach,
		labels: map[string]string{string(p.Coach.ID): p.Coach.Name()}, why: map[string]string{}}
	for _, t := range p.Outcome.Tasks {
		c.why[string(p.Coach.ID)+"|"+t.Key()] = t.Why.In(p.Words)
	}
	return c
}

// shopWords are those of a shop or a fleet; of one coach when it is named.
func (d *Desk) shopWords(ctx context.Context, tx *store.Tx, a coach.Account, c coach.ID) (out calWords, err error) {
	out = calWords{words: d.Words.In(a.Language), why: map[string]string{}}
	out.labels, err = tx.CoachLabels(ctx, a.ID, c)
	return out, err
}

// name is a coach's label, with its short name for those who have many.
func (c *calWords) name(id string) string {
	label := cmp.Or(c.labels[id], id)
	if c.owner || label == id {
		return label
	}
	return label + " (" + id + ")"
}

// visit says an agreed day.
func (c *calWords) visit(e store.Entry) string {
	if c.owner {
		return c.words.T("%[1]s: %[2]s", wording.Say("Your coach is booked in"), c.name(e.Coach))
	}
	return c.name(e.Coach)
}

// task says what is due on a coach on one day: the title of what leads with the number
// of other kinds, and each kind with its places and its reason.
func (c *calWords) task(e store.Entry, titles func(coach.TaskKind) string) (summary, text string) {
	var kinds []coach.TaskKind
	places := map[coach.TaskKind][]*plan.Task{}
	reasons := map[coach.TaskKind]string{}
	for key := range strings.SplitSeq(e.Summary, "\n") {
		f := append(strings.SplitN(key, "|", 3), "")
		kind := coach.TaskKind(f[0])
		if places[kind] == nil {
			kinds = append(kinds, kind)
		}
		slide, _ := slideRun(f[1])
		places[kind] = append(places[kind], &plan.Task{Slide: slide, Run: f[1]})
		reasons[kind] = cmp.Or(reasons[kind], c.why[e.Coach+"|"+key])
	}
	title := func(k coach.TaskKind) string {
		if titles == nil {
			return string(k)
		}
		return c.words.T(titles(k))
	}
	where := func(k coach.TaskKind) string {
		ts := slices.DeleteFunc(places[k], func(t *plan.Task) bool { return t.Slide == "" })
		return reminder.Where(c.words, &c.coach, ts)
	}
	var lines []string
	for _, k := range kinds {
		line := title(k)
		if at := where(k); at != "" {
			line = c.words.T("%[1]s: %[2]s", line, at)
		}
		lines = append(lines, line)
		if reasons[k] != "" {
			lines = append(lines, reasons[k])
		}
	}
	lead, at := title(kinds[0]), c.name(e.Coach)
	if len(kinds) > 1 {
		lead += fmt.Sprintf(" (+%d)", len(kinds)-1)
	} else if place := where(kinds[0]); place != "" {
		at += ", " + place
	}
	return c.words.T("%[1]s: %[2]s", lead, at), strings.Join(lines, "\n")
}

func taskUID(c, key string) string {
	sum := sha256.Sum256([]byte(c + "|" + key))
	return "task-" + hex.EncodeToString(sum[:12])
}
