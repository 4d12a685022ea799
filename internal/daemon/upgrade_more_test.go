package daemon

import (
	"bytes"
	"image"
	"image/png"
	"regexp"
	"slices"
	"strings"

	"sealmanac/config"
	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/webhook"
)

// This file puts into the upgrade fixture of the program at hand what its schema has, so
// that every table holds a row. It grows with each migration.

// moreSettings is what the program can be told besides.
func moreSettings(c *settings.Config) { c.ReturnsDomain = "returns.tamarack.example.org" }

// answerFixture does what a link says, with what the program asks for besides.
func answerFixture(f *fixture, token string) error {
	q, err := f.Desk.Ask(f.t.Context(), token)
	if err != nil {
		return err
	}
	var more desk.Details
	if q.Kind == reminder.Moved {
		more.Where = "Tucson, AZ"
	}
	_, err = f.Desk.Answer(f.t.Context(), token, more)
	return err
}

// moreFirstDay is what happened on the first day, after the mails.
func moreFirstDay(f *fixture, links map[string][]string) {
	// Since 4.
	for notice, ls := range links {
		if strings.HasSuffix(notice, "|kim@example.org") {
			k := slices.IndexFunc(ls, func(l string) bool { return strings.HasPrefix(l, "return ") })
			id, _ := f.Desk.Signer.ReadReturnPath(strings.TrimPrefix(ls[k], "return "))
			bounce := desk.Return{Kind: desk.Bounced, Words: "550 5.1.1 no such user"}
			if err := f.Desk.Returned(f.t.Context(), id, bounce); err != nil {
				f.t.Fatal(err)
			}
		}
	}
	// Since 5.
	f.press(links, reminder.Moved, "kim@example.org")
}

// moreLastDay is what happened on the last day, before the pass. It returns the secrets
// that were handed out.
func moreLastDay(f *fixture) map[string]string {
	ctx, id := f.t.Context(), fixtureAccount
	must := func(err error) {
		f.t.Helper()
		if err != nil {
			f.t.Fatal(err)
		}
	}
	// Since 2. The account accepts the rulebook of its day, so that the passes after an
	// upgrade follow the same rules. The sources are cut short to keep the fixture small.
	rules := f.opt.Rules.Version + "-tamarack"
	text := strings.Replace(string(config.Rulebook), f.opt.Rules.Version, rules, 1)
	text = regexp.MustCompile(`(?m)^ *#.*\n`).ReplaceAllString(text, "")
	text = regexp.MustCompile(`source: ".*?"`).ReplaceAllString(text, `source: "as before"`)
	must(f.DB.Update(ctx, func(tx *store.Tx) error {
		return tx.SaveRules(ctx, id, rules, text, "kept as it was")
	}))
	// Since 3.
	lot := desk.Campaign{Name: "t22", Lot: "T22-130", Subject: "About your bulbs", Words: "Please look.", By: "Desk"}
	_, err := f.Desk.StartCampaign(ctx, id, lot, f.opt.Rules)
	must(err)
	let := []coach.Booking{{From: lastDay + 3, Until: lastDay + 9, Source: "bookings.csv"}}
	must(f.DB.Update(ctx, func(tx *store.Tx) error {
		return tx.SaveBookings(ctx, id, "ivy-09", "bookings.csv", let)
	}))
	// Since 5.
	height := coach.Reading{Kind: coach.BulbHeight, Run: "outer/top", Part: coach.Bulb}
	height.Day, height.Slide, height.Value, height.By = firstDay, "kitchen", 17, "owner"
	must(f.DB.Update(ctx, func(tx *store.Tx) error { return tx.AddReading(ctx, id, "ada-01", height) }))
	// Since 7.
	who := access.Who{Account: id, Email: "mia@tamarack.example.org", Role: access.Manager}
	link, err := f.Access.First(ctx, id)
	must(err)
	password := "six brown otters swim"
	must(f.Access.Setup(ctx, link[strings.LastIndex(link, "/")+1:], coach.Account{}, "Mia", who.Email, password))
	session, err := f.Access.Enter(ctx, who.Email, password, "192.0.2.1", "a browser", "")
	must(err)
	_, err = f.Access.Invite(ctx, who, "theo@tamarack.example.org", access.Technician)
	must(err)
	key, err := f.Access.MakeToken(ctx, who, "crm", []string{"read", "write"}, 300)
	must(err)
	must(f.Desk.SaveView(ctx, id, who.Email, "Overdue", "state=overdue"))
	var picture bytes.Buffer
	must(png.Encode(&picture, image.NewGray(image.Rect(0, 0, 8, 8))))
	file := desk.File{Slide: "kitchen", Name: "corner.png", Data: picture.Bytes()}
	must(f.Desk.Attach(ctx, id, who.Email, "ada-01", file))
	height.Day, height.Slide, height.Value, height.By = lastDay-1, "galley", 15.5, "shop"
	must(f.Desk.Record(ctx, id, who.Email, "jon-10", desk.Records{
		Services: []coach.Service{{Day: lastDay - 1, Kind: coach.Exercise, By: "shop", Slide: "galley"}},
		Readings: []coach.Reading{height},
	}))
	// Since 8. The endpoint asks for a kind of which no event comes: nothing leaves the test.
	hook, kinds := "https://crm.example.org/events", []string{"lot.notice"}
	_, err = f.Desk.AddEndpoint(ctx, id, who.Email, hook, kinds, webhook.NewKey(false), webhook.Name(), 1)
	must(err)
	address, err := f.Desk.AddCalendar(ctx, id, who.Email, "shop", "", "Bays")
	must(err)
	calendar := strings.TrimSuffix(address[strings.LastIndex(address, "/")+1:], ".ics")
	_, err = f.Desk.CalendarText(ctx, calendar)
	must(err)
	_, _, err = f.Desk.Once(ctx, id, "key-1", "hash-1", func() (desk.KeptAnswer, bool) {
		return desk.KeptAnswer{Status: 200, Body: `{"recorded":1}`}, true
	})
	must(err)
	// Since 9.
	must(f.Desk.Pin(ctx, id, who.Email, "ivy-09", desk.DayChange{Day: civil.Of(2026, 3, 12), At: 9*60 + 30}))
	// Since 11.
	copied := f.content(lastDay, false)
	copied.Coaches, copied.Workshop = copied.Coaches[:1], nil
	_, err = f.Desk.Import(ctx, "copy", copied)
	must(err)
	must(f.Desk.Pause(ctx, "copy", who.Email))
	// Since 15.
	call := reminder.Call{Person: "gil", TaskKey: "inspect|parlor|2020-10-01", Outcome: reminder.CallReached}
	call.Day = lastDay - 1
	must(f.DB.Update(ctx, func(tx *store.Tx) error {
		return tx.SetCall(ctx, id, "gil-07", call, "comes in April", who.Email)
	}))
	return map[string]string{"session": session, "key": key, "calendar": calendar}
}
