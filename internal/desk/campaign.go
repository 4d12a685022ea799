package desk

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// Campaign asks for a notice to everybody whose coach carries a lot, or parts of
// unknown lot fitted between two days.
type Campaign struct {
	Name           string
	Lot            string
	From, Until    civil.Date
	Subject, Words string
	By             string // who answers for it
}

// Progress is how far a campaign has come.
type Progress struct {
	store.Campaign
	Told        int      `json:"told"`     // people written to
	Accepted    int      `json:"accepted"` // mails the servers took
	Waiting     int      `json:"waiting"`
	Failed      int      `json:"failed"`
	Answered    int      `json:"answered"`
	Unreachable []string `json:"unreachable"` // coaches with nobody to write to
	Silent      []string `json:"silent"`      // "coach: person" of mails not answered or not delivered: ring them
}

// StartCampaign finds the coaches and makes a notice for each of their people with
// an address, whatever they said about reminders; coaches that were sold and those
// without an address are listed for a call.
func (d *Desk) StartCampaign(
	ctx context.Context, id coach.AccountID, c Campaign, rules *rulebook.Rulebook,
) (out Progress, err error) {
	if err := c.check(); err != nil {
		return out, err
	}
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		cs, err := tx.Coaches(ctx, id)
		if err != nil {
			return err
		}
		var notices []reminder.Notice
		row := store.Campaign{ID: c.Name, Lot: c.Lot, From: c.From.String(), Until: c.Until.String(), Subject: c.Subject,
			Words: c.Words, By: c.By}
		missing := []string{}
		for i := range cs {
			hits := season.PartsOf(&cs[i], c.Lot, c.From, c.Until)
			if len(hits) == 0 {
				continue
			}
			row.Coaches++
			ns := d.lotNotices(a, &cs[i], c, hits, rules)
			if len(ns) == 0 {
				missing = append(missing, string(cs[i].ID))
			}
			notices = append(notices, ns...)
		}
		if row.Coaches == 0 {
			return fault.New(fault.NotFound, fmt.Sprintf("no coach of account %q carries such a part", id),
				"Check the lot as it is written on the parts, or give --from and --until to reach parts of unknown lot.")
		}
		b, err := json.Marshal(missing)
		if err != nil {
			return err
		}
		row.Unreachable = string(b)
		if err := tx.AddCampaign(ctx, id, row); err != nil {
			return err
		}
		added, err := tx.AddNotices(ctx, d.today(a), notices)
		if err == nil && d.Enqueue != nil {
			err = d.Enqueue(ctx, tx, added)
		}
		if err != nil {
			return err
		}
		if out, err = progress(ctx, tx, id, row); err != nil {
			return err
		}
		return tx.AddEvents(ctx, id, lotEvents(c, added)...)
	})
	return out, err
}

func lotEvents(c Campaign, ns []reminder.Notice) (out []store.Happened) {
	for i := range ns {
		out = append(out, store.Happened{Kind: "lot.notice", Coach: ns[i].Coach,
			Data: map[string]any{"campaign": c.Name, "lot": c.Lot, "person": ns[i].Person,
				"notice": reminder.Short(ns[i].LinkID)}})
	}
	return out
}

func (c Campaign) check() error {
	switch {
	case c.Lot == "" && c.From == 0 && c.Until == 0:
		return fault.New(fault.Invalid, "neither a lot nor days are given",
			"Name a lot, or days between which the parts were fitted.")
	case c.Name == "" || len(c.Name) > 40 || strings.ContainsAny(c.Name, "|# \r\n"):
		return fault.New(fault.Invalid, fmt.Sprintf("%q is not a name for a campaign", c.Name),
			"Use letters, digits, - and _, at most 40.")
	case strings.TrimSpace(c.Subject) == "" || strings.ContainsAny(c.Subject, "\r\n") || len(c.Subject) > 150:
		return fault.New(fault.Invalid, "the subject is missing, too long, or has a line break",
			"Give one line of up to 150 characters.")
	case strings.TrimSpace(c.Words) == "" || len(c.Words) > 20_000:
		return fault.New(fault.Invalid, "the words of the notice are missing or too long",
			"Give a text of up to 20,000 characters; blank lines part paragraphs.")
	case strings.TrimSpace(c.By) == "":
		return fault.New(fault.Invalid, "nobody answers for the campaign", "Say who with --by.")
	}
	return nil
}

// lotNotices writes to everybody of one coach; nobody when it was sold: its new
// people are not known.
func (d *Desk) lotNotices(
	a coach.Account, k *coach.Coach, c Campaign, hits []season.Hit, rules *rulebook.Rulebook,
) (out []reminder.Notice) {
	today := d.today(a)
	if k.Sold != 0 && k.Sold <= today {
		return nil
	}
	var where []reminder.LotPart
	for _, h := range hits {
		where = append(where, reminder.LotPart{Run: h.Run, Part: h.Part, Fitted: h.Fitted, Lot: h.Lot})
	}
	for i := range k.People {
		if k.People[i].Email == "" {
			continue
		}
		in := reminder.LotInput{Campaign: c.Name, Lot: c.Lot, Subject: c.Subject, Said: c.Words, Catalogue: d.Words,
			Account: &a, Coach: k, Person: &k.People[i], Where: where, Today: today, Now: d.Now(), Rules: rules,
			Domain: d.Domain}
		if d.Signer != nil {
			in.Links = d.Signer
		}
		out = append(out, reminder.Lot(in))
	}
	return out
}

// Campaigns returns an account's campaigns with their progress, newest first.
func (d *Desk) Campaigns(ctx context.Context, id coach.AccountID) (out []Progress, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		cs, err := tx.Campaigns(ctx, id)
		if err != nil {
			return err
		}
		for _, c := range cs {
			p, err := progress(ctx, tx, id, c)
			if err != nil {
				return err
			}
			out = append(out, p)
		}
		return nil
	})
	return out, err
}

func progress(ctx context.Context, tx *store.Tx, id coach.AccountID, c store.Campaign) (p Progress, err error) {
	p.Campaign, p.Silent = c, []string{}
	if err := json.Unmarshal([]byte(c.Unreachable), &p.Unreachable); err != nil {
		return p, err
	}
	rows, err := tx.CampaignNotices(ctx, id, c.ID)
	p.Told = len(rows)
	for _, r := range rows {
		switch reminder.State(r.State) {
		case reminder.Accepted:
			p.Accepted++
		case reminder.GivenUp, reminder.Withdrawn:
			p.Failed++
		default:
			p.Waiting++
		}
		if r.AnsweredAt != nil {
			p.Answered++
		} else {
			p.Silent = append(p.Silent, r.Coach+": "+r.Person)
		}
	}
	return p, err
}

// Plan returns the visits of the last pass's plan.
func (d *Desk) Plan(ctx context.Context, id coach.AccountID) (out []season.Visit, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		out, err = tx.Visits(ctx, id)
		return err
	})
	return out, err
}

// Season plans an account's weeks from what is stored now, without storing the
// plan.
func (d *Desk) Season(ctx context.Context, id coach.AccountID, t cycle.Tools, weeks int) (p season.Plan, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		if t, err = toolsOf(ctx, tx, id, t); err != nil {
			return err
		}
		snap, err := cycle.Load(ctx, tx, id, d.today(a), false)
		if err != nil {
			return err
		}
		shop, err := tx.Workshop(ctx, id)
		if err != nil {
			return err
		}
		last, err := tx.Visits(ctx, id)
		p = cycle.Season(t, snap, shop, weeks, last)
		return err
	})
	return p, err
}

// toolsOf returns the tools with the account's own rules.
func toolsOf(ctx context.Context, tx *store.Tx, id coach.AccountID, t cycle.Tools) (cycle.Tools, error) {
	rules, err := RulesOf(ctx, tx, id, t.Engine.Rules)
	if err == nil && rules != t.Engine.Rules {
		t.Engine = projection.NewEngine(rules)
	}
	return t, err
}

// Fetch gets the text at a feed's address.
type Fetch func(ctx context.Context, address string) ([]byte, error)

// feedsFor bounds the reading of all feeds of an account: dead ones must not keep
// the pass waiting.
const feedsFor = 2 * time.Minute

// RefreshFeeds reads the booking feeds of an account's coaches anew. A feed that
// cannot be read keeps its earlier bookings and is returned as a line.
func (d *Desk) RefreshFeeds(ctx context.Context, id coach.AccountID, get Fetch) (trouble []string, err error) {
	var cs []coach.Coach
	err = d.DB.View(ctx, func(tx *store.Tx) (err error) {
		cs, err = tx.FeedCoaches(ctx, id)
		return err
	})
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, feedsFor)
	defer cancel()
	for i := range cs {
		if ctx.Err() != nil {
			return append(trouble, "the feeds took too long; those not reached keep their earlier bookings until the next pass"),
				nil
		}
		bs, lines := ReadFeed(ctx, get, &cs[i], civil.FromTime(d.Now()))
		trouble = append(trouble, lines...)
		if bs == nil && len(lines) > 0 {
			continue
		}
		if err := d.DB.Update(ctx, func(tx *store.Tx) error {
			return tx.SaveBookings(ctx, id, cs[i].ID, cs[i].Feed, bs)
		}); err != nil {
			return trouble, err
		}
	}
	return trouble, nil
}
