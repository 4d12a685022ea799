package desk

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// CoachPage is everything about one coach, dated today.
type CoachPage struct {
	Account     coach.Account
	Coach       coach.Coach
	Version     int64 // grows with every change of the document
	Today       civil.Date
	Outcome     cycle.Outcome
	Rules       *rulebook.Rulebook
	Visits      []season.Visit
	Pins        []coach.Pin // agreed days, today or later
	Planned     []coach.Pin // days that the shop chose for its plan and that nobody agreed to
	Notices     []store.NoticeRow
	Attachments []store.Attachment
	Undo        map[string]bool // keys of services and readings that can be taken back
}

// CoachPage dates one coach of an account as of today and gathers what is known
// about it.
func (d *Desk) CoachPage(ctx context.Context, id coach.AccountID, c coach.ID) (p CoachPage, err error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return p, err
	}
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if p.Account, err = tx.Account(ctx, id, false); err != nil {
			return err
		}
		p.Today = d.today(p.Account)
		var doc coach.Coach
		if doc, p.Version, err = tx.CoachDoc(ctx, id, c); err != nil {
			return err
		}
		if p.Coach, err = tx.Reported(ctx, id, doc); err != nil {
			return err
		}
		p.Undo = undoable(&p.Coach, &doc)
		if p.Notices, err = tx.NoticesOf(ctx, id, c, 20); err != nil {
			return err
		}
		if p.Attachments, err = tx.Attachments(ctx, id, c); err != nil {
			return err
		}
		shop, err := tx.Workshop(ctx, id)
		if err != nil {
			return err
		}
		if shop != nil {
			for _, pin := range shop.Pins {
				switch {
				case pin.Coach != c || pin.Day < p.Today:
				case pin.Planned:
					p.Planned = append(p.Planned, pin)
				default:
					p.Pins = append(p.Pins, pin)
				}
			}
		}
		p.Visits, err = visits(ctx, tx, id, c, p.Today.String(), "9999")
		return err
	})
	if err == nil {
		p.Rules = tools.Engine.Rules
		p.Outcome = tools.Assess(&p.Coach, p.Today)
	}
	return p, err
}

func (d *Desk) tools(ctx context.Context, id coach.AccountID) (cycle.Tools, error) {
	if d.ToolsFor == nil {
		return cycle.Tools{}, fault.New(fault.Unavailable, "no rules are loaded here", "Run 'sealmanac serve'.")
	}
	return d.ToolsFor(ctx, id)
}

// ServiceKey and ReadingKey name an entry of a coach's history for taking it back.
func ServiceKey(s coach.Service) string {
	return strings.Join([]string{"service", s.Day.String(), string(s.Kind), string(s.Slide), s.Run}, "|")
}

// ReadingKey names a reading.
func ReadingKey(r coach.Reading) string {
	words := []string{"reading", r.Day.String(), string(r.Kind), string(r.Slide), r.Run, string(r.Part), r.By}
	return strings.Join(words, "|")
}

// undoable returns what people sent in besides the document. A renewal is not taken
// back alone: the fitting that it belongs to stands in the document and would stay.
func undoable(all, doc *coach.Coach) map[string]bool {
	out := map[string]bool{}
	for _, s := range all.Services {
		if !s.Kind.Renews() && !slices.ContainsFunc(doc.Services, func(o coach.Service) bool {
			return ServiceKey(o) == ServiceKey(s)
		}) {
			out[ServiceKey(s)] = true
		}
	}
	for _, r := range all.Readings {
		if !slices.ContainsFunc(doc.Readings, func(o coach.Reading) bool { return ReadingKey(o) == ReadingKey(r) }) {
			out[ReadingKey(r)] = true
		}
	}
	return out
}

// Why returns the chain of reasons behind a part's dates.
func (d *Desk) Why(
	ctx context.Context, id coach.AccountID, c coach.ID, address string, part coach.PartKind,
) (p CoachPage, f projection.Forecast, why []projection.Reason, err error) {
	if p, err = d.CoachPage(ctx, id, c); err != nil {
		return p, f, nil, err
	}
	tools, err := d.tools(ctx, id)
	if err != nil {
		return p, f, nil, err
	}
	when := projection.When{On: p.Today, CareDays: p.Outcome.Setting.CareDays(tools.Engine.Rules),
		By: p.Outcome.Setting.NextOpening(p.Today)}
	f, why, ok := tools.Engine.Explain(projection.Life{Coach: &p.Coach, Places: tools.Atlas.Places(&p.Coach)}, address,
		part, when)
	if ok {
		return p, f, why, nil
	}
	return p, f, nil, fault.New(fault.NotFound, fmt.Sprintf("%s has no %s on %s", c, part, address),
		"Go back to the coach.")
}

// Text returns a coach's document as a coach file, with its version.
func (d *Desk) Text(ctx context.Context, id coach.AccountID, c coach.ID) (text string, version int64, err error) {
	var doc coach.Coach
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		doc, version, err = tx.CoachDoc(ctx, id, c)
		return err
	})
	if err != nil {
		return "", 0, err
	}
	b, err := intake.Write(d.Places, doc)
	return string(b), version, err
}

// errChanged tells that somebody else was faster.
func errChanged(c coach.ID) error {
	return fault.New(fault.Conflict, fmt.Sprintf("%s was changed by somebody else meanwhile", c),
		"Open it again: your own words are still in your browser's form, or in the list of what waits to be sent.")
}

// SaveText reads a coach file of one or more coaches and stores them, all or nothing.
// With a version, the one coach c must not have changed since.
func (d *Desk) SaveText(
	ctx context.Context, id coach.AccountID, by string, c coach.ID, version int64, name string, data []byte,
) (coach.ID, intake.Problems, error) {
	now := d.Now()
	var account coach.Account
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) { account, err = tx.Account(ctx, id, false); return err })
	if err != nil {
		return "", nil, err
	}
	content := intake.Read(intake.Options{Today: civil.FromTime(now.In(account.Location())), Places: d.Places,
		ConfirmOld: c != ""}, nil, intake.File{Name: name, Data: data})
	if content.Problems.Err() != nil {
		return "", content.Problems, nil
	}
	if c != "" && (len(content.Coaches) != 1 || content.Coaches[0].ID != c) {
		return "", nil, fault.New(fault.Invalid, fmt.Sprintf("this text is not about %s alone", c),
			"Keep its coach: line as it is, and no other coach.")
	}
	content.Shop, content.Workshop = nil, keepNil(c, content.Workshop)
	return d.save(ctx, id, by, c, version, content)
}

func keepNil(c coach.ID, w *coach.Workshop) *coach.Workshop {
	if c != "" {
		return nil
	}
	return w
}

func (d *Desk) save(
	ctx context.Context, id coach.AccountID, by string, c coach.ID, version int64, content intake.Content,
) (coach.ID, intake.Problems, error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return "", nil, err
	}
	var first coach.ID
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		account, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		if c != "" && version != 0 {
			if _, now, err := tx.CoachDoc(ctx, id, c); err != nil || now != version {
				if err == nil {
					err = errChanged(c)
				}
				return err
			}
		}
		if err := keepWorkshop(ctx, tx, id, content.Workshop, d.today(account)); err != nil {
			return err
		}
		cs, err := d.onto(ctx, tx, id, d.today(account), content)
		if err != nil {
			return err
		}
		if err := keepStops(ctx, tx, id, d.today(account), cs); err != nil {
			return err
		}
		if err := keepExternals(ctx, tx, id, cs); err != nil {
			return err
		}
		changed, err := tx.SaveCoaches(ctx, id, cs)
		if err != nil {
			return err
		}
		if c == "" {
			if err := d.markBatch(ctx, tx, account, cs); err != nil {
				return err
			}
		}
		if err := saveBooked(ctx, tx, id, content.BookingFiles, content.Booked); err != nil {
			return err
		}
		var news []store.Happened
		for i := range cs {
			hs, err := d.refresh(ctx, tx, tools, id, cs[i].ID)
			if err != nil {
				return err
			}
			if changed[cs[i].ID] {
				news = append(news, saved(cs[i].ID, by))
			}
			news = append(news, hs...)
		}
		about := fmt.Sprintf("%d coaches", len(cs))
		if len(cs) > 0 {
			first = cs[0].ID
		}
		if len(cs) == 1 {
			about = string(first)
		}
		if err := tx.AddAudit(ctx, id, by, "saved", about, ""); err != nil {
			return err
		}
		if err := tx.AddEvents(ctx, id, news...); err != nil || c != "" {
			return err
		}
		return d.replan(ctx, tx, id) // a file may bring a whole shop
	})
	return first, content.Problems, err
}

func saved(c coach.ID, by string) store.Happened {
	return store.Happened{Kind: "coach.saved", Coach: c, Data: map[string]any{"by": by}}
}

// keepWorkshop stores what a file says of the shop. Days agreed since, which the file
// does not know, stay.
func keepWorkshop(ctx context.Context, tx *store.Tx, id coach.AccountID, w *coach.Workshop, today civil.Date) error {
	if w == nil {
		return nil
	}
	old, err := tx.Workshop(ctx, id)
	if err != nil {
		return err
	}
	if old != nil {
		var kept []coach.Pin
		for _, p := range old.Pins {
			k := slices.IndexFunc(w.Pins, func(n coach.Pin) bool {
				return n.Coach == p.Coach && n.Day.Monday() == p.Day.Monday()
			})
			switch {
			// moved within its week: it stays the same visit
			case k >= 0 && !p.Planned && w.Pins[k].VisitName() != p.VisitName():
				w.Pins[k].Name = p.VisitName()
			case k < 0 && p.Day >= today:
				kept = append(kept, p)
			}
		}
		w.Pins = nameVisits(append(kept, w.Pins...))
	}
	return tx.SaveWorkshop(ctx, id, w)
}

// refresh dates one coach anew and keeps the result, so that the board and its page
// agree at once. A safety stop's messages are made at once, with the record that caused
// it; all others by the nightly pass alone.
func (d *Desk) refresh(
	ctx context.Context, tx *store.Tx, t cycle.Tools, id coach.AccountID, c coach.ID,
) ([]store.Happened, error) {
	a, err := tx.Account(ctx, id, false)
	if err != nil {
		return nil, err
	}
	snap, _, err := cycle.LoadOne(ctx, tx, id, c, d.today(a), false)
	if err != nil {
		return nil, err
	}
	res := cycle.Evaluate(t, snap)
	if err := d.sweep(ctx, tx, snap, &res.Outcomes[0]); err != nil {
		return nil, err
	}
	var added []reminder.Notice
	if t.Links != nil { // else a message would offer no answer: the daemon's pass makes it
		if added, err = cycle.SaveStops(ctx, tx, id, snap.Today, res); err != nil {
			return nil, err
		}
	}
	if d.Enqueue != nil {
		if err := d.Enqueue(ctx, tx, added); err != nil {
			return nil, err
		}
	}
	news, err := cycle.Save(ctx, tx, t, snap, 0, &res.Outcomes[0])
	return append(news, cycle.NoticesMade(added)...), err
}

// sweep takes back the open notices of a coach whose reason has gone: the task is done,
// a day is agreed, the coach is sold, or the person is not one of its people any more.
func (d *Desk) sweep(ctx context.Context, tx *store.Tx, snap cycle.Snapshot, o *cycle.Outcome) error {
	c := &snap.Members[0].Coach
	rows, err := tx.NoticesOf(ctx, snap.Account.ID, c.ID, 100)
	if err != nil {
		return err
	}
	live := map[string]bool{}
	for _, t := range o.Tasks {
		live[t.Key()] = true
	}
	for _, t := range reminder.Visits(c.ID, snap.Workshop.Agreed(), snap.Today) {
		live[t.Key()] = true
	}
	for _, s := range o.Suppressed {
		switch s.Reason {
		case reminder.Booked, reminder.CoachSold, reminder.DoneReported, reminder.OptedOut, reminder.BadAddress,
			reminder.NoConsent,
			reminder.Reached, reminder.ByPhone, reminder.TakenIn:
			live[s.Person+" "+s.TaskKey] = true // silenced for this person
		}
	}
	for _, n := range rows {
		st := reminder.State(n.State)
		if st != reminder.Queued && st != reminder.Retry || strings.HasPrefix(n.TaskKey, "lot|") ||
			strings.HasPrefix(n.TaskKey, "shop|") {
			continue
		}
		known := slices.ContainsFunc(c.People, func(p coach.Person) bool { return p.Email == n.Person })
		written := known && !snap.OptedOut[n.Person] && !snap.Bad[n.Person]
		if live[n.TaskKey] && written && !live[n.Person+" "+n.TaskKey] {
			continue
		}
		if _, err := tx.WithdrawOne(ctx, snap.Account.ID, n.Key); err != nil {
			return err
		}
	}
	return nil
}

// settle dates a coach anew and notes what happened: it ends a transaction.
func (d *Desk) settle(
	ctx context.Context, tx *store.Tx, t cycle.Tools, id coach.AccountID, c coach.ID, hs ...store.Happened,
) error {
	more, err := d.refresh(ctx, tx, t, id, c)
	if err != nil {
		return err
	}
	return tx.AddEvents(ctx, id, append(hs, more...)...)
}

// TakeBackEntry removes a service or reading that somebody sent in, by its key.
func (d *Desk) TakeBackEntry(ctx context.Context, id coach.AccountID, by string, c coach.ID, key string) error {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return err
	}
	e, err := parseEntry(key)
	if err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, true); err != nil {
			return err
		}
		if err := e.drop(ctx, tx, id, c); err != nil {
			return err
		}
		if err := tx.AddAudit(ctx, id, by, "undid", string(c), key); err != nil {
			return err
		}
		return d.settle(ctx, tx, tools, id, c, store.Happened{Kind: "entry.taken_back", Coach: c,
			Data: map[string]any{"entry": key}})
	})
}

// entry is what the key of an entry names: a service, or else a reading.
type entry struct {
	service *coach.Service
	reading coach.Reading
	noPart  bool // the key is of a page from before keys named the part
}

func parseEntry(key string) (e entry, err error) {
	f := strings.Split(key, "|")
	if len(f) < 5 {
		return e, errEntry
	}
	day, err := civil.Parse(f[1])
	if err != nil {
		return e, errEntry
	}
	slide := coach.SlideID(f[3])
	e.reading = coach.Reading{Day: day, Kind: coach.ReadingKind(f[2]), Slide: slide, Run: f[4], By: f[len(f)-1]}
	switch {
	case f[0] == "service" && len(f) == 5:
		e.service = &coach.Service{Day: day, Kind: coach.TaskKind(f[2]), Slide: slide, Run: f[4]}
	case f[0] == "reading" && len(f) == 6:
		e.noPart = true
	case f[0] == "reading" && len(f) == 7:
		e.reading.Part = coach.PartKind(f[5])
	default:
		return e, errEntry
	}
	return e, nil
}

func (e entry) drop(ctx context.Context, tx *store.Tx, id coach.AccountID, c coach.ID) error {
	if s := e.service; s != nil {
		ok, err := tx.DropService(ctx, id, c, *s)
		if err == nil && !ok {
			err = errEntry
		}
		if err != nil {
			return err
		}
		address := string(s.Slide) // "done" was said of it: that is taken back too
		if s.Run != "" {
			address += "/" + s.Run
		}
		return tx.DropDone(ctx, id, c, string(s.Kind)+"|"+address+"|", s.Day)
	}
	if e.noPart {
		parts, err := tx.ReadingParts(ctx, id, c, e.reading)
		if err != nil {
			return err
		}
		if len(parts) > 1 {
			return fault.New(fault.Conflict, "this page does not say which part's reading it means",
				"Open the page again: each reading stands there with its part.")
		}
		if len(parts) == 1 {
			e.reading.Part = parts[0]
		}
	}
	ok, err := tx.DropReading(ctx, id, c, e.reading)
	if err == nil && !ok {
		err = errEntry
	}
	return err
}

var errEntry = fault.New(fault.NotFound, "there is no such entry to undo",
	"What stands in the coach's file is changed there.")
