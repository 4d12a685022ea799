package desk

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"strings"

	"sealmanac/internal/coach"
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
	why    map[string]string // reasons in the reader's language, by UID
}

// ownerWords are those of a coach's people.
func ownerWords(p *OwnerPage) calWords {
	c := calWords{words: p.Words, owner: true, coach: p.Coach, labels: map[string]string{string(p.Coach.ID): p.Coach.Name()}, why: map[string]string{}}
	for _, t := range p.Outcome.Tasks {
		c.why[taskUID(string(p.Coach.ID), t.Key())] = t.Why.In(p.Words)
	}
	return c
}

// shopWords are those of a shop or a fleet; of one coach when it is named.
func (d *Desk) shopWords(ctx context.Context, tx *store.Tx, a coach.Account, c coach.ID) (out calWords, err error) {
	out = calWords{words: d.Words.In(a.Language)}
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

// task says what is due, and on what; why is the reason.
func (c *calWords) task(e store.Entry, titles func(coach.TaskKind) string) (summary, why string) {
	kind, run, _ := strings.Cut(e.Summary, "|")
	title := kind
	if titles != nil {
		title = c.words.T(titles(coach.TaskKind(kind)))
	}
	slide, edge := slideRun(run)
	at := c.name(e.Coach)
	if place := reminder.Place(c.words, &c.coach, slide, edge); place != "" {
		at += ", " + place
	}
	return c.words.T("%[1]s: %[2]s", title, at), cmp.Or(c.why[e.UID], e.Words)
}

func taskUID(c, key string) string {
	sum := sha256.Sum256([]byte(c + "|" + key))
	return "task-" + hex.EncodeToString(sum[:12])
}
