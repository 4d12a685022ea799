package desk

import (
	"context"
	"errors"
	"strings"
	"testing"

	"sealmanac/config"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

const lots = `
coaches:
  - coach: b
    label: The Fens' trailer
    people: [{name: Bo, email: bo@example.org, zone: America/Denver}, {name: Cy, phone: 555-0101}]
    stays: [{place: "Yuma, AZ", from: 2024-01-01}]
    slides: [{slide: s, edges: [{edge: outer/top, construction: track, fitted: 2024-05-01, parts: [{part: bulb, material: tpv, lot: L7}]}]}]
  - coach: c
    people: [{name: Dee, phone: 555-0102}]
    stays: [{place: "Yuma, AZ", from: 2024-01-01}]
    slides: [{slide: s, edges: [{edge: outer/top, construction: track, fitted: 2024-05-01, parts: [{part: bulb, material: tpv, lot: L7}]}]}]
  - coach: d
    sold: 2025-01-01
    people: [{name: Eve, email: eve@example.org}]
    stays: [{place: "Yuma, AZ", from: 2024-01-01}]
    slides: [{slide: s, edges: [{edge: outer/top, construction: track, fitted: 2024-05-01, parts: [{part: bulb, material: tpv, lot: L7}]}]}]
`

func TestCampaign(t *testing.T) {
	d, n := setup(t)
	d.Domain = "x"
	c := intake.Read(intake.Options{Today: today, Places: testkit.Tables(t)}, nil,
		intake.File{Name: "b.yaml", Data: []byte(lots)})
	if _, err := d.Import(t.Context(), "main", c); err != nil {
		t.Fatal(err)
	}
	rules, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	want := Campaign{Name: "l7", Lot: "L7", Subject: "please have a bulb looked at",
		Words: "A first part.\n\nA second part.", By: "Quin"}
	// Bo stopped the reminders before; this stream goes on.
	if err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		return tx.OptOut(t.Context(), "main", "bo@example.org")
	}); err != nil {
		t.Fatal(err)
	}
	p, err := d.StartCampaign(t.Context(), "main", want, rules)
	if err != nil {
		t.Fatal(err)
	}
	if p.Coaches != 3 || p.Told != 1 || p.Waiting != 1 || strings.Join(p.Unreachable, " ") != "c d" {
		t.Fatalf("%+v", p)
	}
	if _, err := d.StartCampaign(t.Context(), "main", want, rules); fault.KindOf(err) != fault.Conflict {
		t.Errorf("started twice: %v", err)
	}
	var mail reminder.Notice
	err = d.DB.View(t.Context(), func(tx *store.Tx) error {
		rows, err := tx.CampaignNotices(t.Context(), "main", "l7")
		if err == nil {
			mail, err = rows[0].Notice()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if mail.StopLink != "" || !strings.Contains(mail.Text, "A second part.") || !strings.Contains(mail.Text,
		"s slide, outer top edge: bulb, fitted on Wed 1 May 2024, lot L7") || !strings.Contains(mail.HTML,
		"<p>A first part.</p>") {
		t.Errorf("%+v", mail)
	}
	if _, err := d.Answer(t.Context(), token(t, d, mail, reminder.Done), Details{}); err != nil {
		t.Fatal(err)
	}
	ps, err := d.Campaigns(t.Context(), "main")
	if err != nil || len(ps) != 1 || ps[0].Answered != 1 || len(ps[0].Silent) != 0 {
		t.Errorf("%+v %v", ps, err)
	}
	if k := look(t, d); len(k.services) != 0 {
		t.Errorf("having read it is no service: %+v", k.services)
	}
	// An ordinary stop by mail leaves it open too.
	mail.Key, mail.LinkID, mail.MessageID, mail.Person = "again", strings.Repeat("ef", 16), "<again@x>", n.Person
	err = d.DB.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.AddNotices(t.Context(), today, []reminder.Notice{mail})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Answer(t.Context(), token(t, d, n, reminder.Stop), Details{}); err != nil {
		t.Fatal(err)
	}
	if k := look(t, d); k.states["again"] != string(reminder.Queued) || k.states["n"] != string(reminder.Withdrawn) {
		t.Errorf("states %v", k.states)
	}
	for _, bad := range []Campaign{{}, {Name: "x|y", Lot: "L7", Subject: "s", Words: "w", By: "q"},
		{Name: "x", Lot: "L7", Subject: "s\r\nBcc: x", Words: "w", By: "q"}, {Name: "x", Lot: "L7", Subject: "s", By: "q"}} {
		if _, err := d.StartCampaign(t.Context(), "main", bad, rules); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	none := want
	none.Name, none.Lot = "none", "L8"
	if _, err := d.StartCampaign(t.Context(), "main", none, rules); fault.KindOf(err) != fault.NotFound {
		t.Errorf("no such lot: %v", err)
	}
}

// A feed that cannot be read keeps its earlier bookings; the others are read.
func TestRefreshFeeds(t *testing.T) {
	d, _ := setup(t)
	file := strings.Replace(scenario, "people:", "feed: https://cal.example.org/a.ics\n    people:", 1)
	c := intake.Read(intake.Options{Today: today, Places: testkit.Tables(t)}, nil,
		intake.File{Name: "a.yaml", Data: []byte(file)})
	if _, err := d.Import(t.Context(), "main", c); err != nil {
		t.Fatal(err)
	}
	good := "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\n" +
		"BEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20260101T000000Z\r\n" +
		"DTSTART;VALUE=DATE:20260401\r\nDTEND;VALUE=DATE:20260405\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
	booked := func() (bs []coach.Booking) {
		err := d.DB.View(t.Context(), func(tx *store.Tx) error {
			cs, err := tx.Coaches(t.Context(), "main")
			bs = cs[0].Bookings
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return bs
	}
	for _, step := range []struct {
		name string
		get  Fetch
		said int
	}{
		{"read", func(context.Context, string) ([]byte, error) { return []byte(good), nil }, 0},
		{"away", func(context.Context, string) ([]byte, error) { return nil, errors.New("no answer") }, 1},
		{"garbage", func(context.Context, string) ([]byte, error) { return []byte("<html>"), nil }, 1},
	} {
		lines, err := d.RefreshFeeds(t.Context(), "main", step.get)
		if err != nil || len(lines) != step.said {
			t.Errorf("%s: %v %v", step.name, lines, err)
		}
		if bs := booked(); len(bs) != 1 || bs[0].Source != "https://cal.example.org/a.ics" {
			t.Errorf("%s: %+v", step.name, bs)
		}
	}
}
