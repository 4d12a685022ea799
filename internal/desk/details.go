package desk

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

// Details are what a person may add to an answer; all of it may be empty.
type Details struct {
	Day     string // of what was done, YYYY-MM-DD; "": today
	Product string // one of Products
	Height  string // of the bulb, such as "17 mm" or "11/16 in"
	Where   string // the coach stands there now
}

// Product is a class of what people put on seals.
type Product struct {
	Class string
	Words wording.Text
}

// Products are the classes of what people put on seals, with their words.
var Products = []Product{
	{"soap_water", wording.Say("mild soap and water only")}, {"water_based", wording.Say("a water-based protectant")},
	{"makers", wording.Say("what the seal's maker names")}, {"silicone", wording.Say("something with silicone")},
	{Petroleum, wording.Say("something with petroleum, grease or solvent")}, {"other", wording.Say("something else")},
}

// Petroleum is the class of what can swell or soften seals.
const Petroleum = "petroleum"

// longAgo is how far back a person may date what was done.
const longAgo = 120

// AsksHeight reports whether a question has room for a bulb's height: its notice
// speaks of one run.
func (q Question) AsksHeight() bool {
	return q.Kind == reminder.Done && Care(q.Notice.Task) && strings.Count(q.Notice.Run, "/") == 2
}

// AsksProduct reports whether a question has room for what was put on.
func (q Question) AsksProduct() bool {
	return q.Kind == reminder.Done && (q.Notice.Task == coach.Lubricate || q.Notice.Task == coach.Clean)
}

// AsksDay reports whether a question has room for the day of the work.
func (q Question) AsksDay() bool { return q.Kind == reminder.Done && Care(q.Notice.Task) }

// detailed is Details as read.
type detailed struct {
	day            civil.Date
	product, class string
	height         unit.Length
	where          string
	typed          string // where, as it was written
}

// WhereError tells that a place is not clear, and which ones may be meant.
type WhereError struct {
	*PersonError
	Choices []string
}

// Unwrap returns what a person reads.
func (e *WhereError) Unwrap() error { return e.PersonError }

// read checks what a person wrote.
func (in Details) read(d *Desk, q *Question) (out detailed, err error) {
	out.day = q.Today
	if in.Day != "" && q.AsksDay() {
		if out.day, err = civil.Parse(in.Day); err != nil || out.day > q.Today || out.day < q.Today.Add(-longAgo) {
			return out, forPerson(
				fault.Invalid,
				wording.Say("%[1]s is not a day of the last %[2]d days.", strconv.Quote(in.Day), longAgo),
				wording.Say("Give the day on which it was done, or leave the day as it was filled in."),
			)
		}
	}
	if in.Product != "" && q.AsksProduct() {
		k := slices.IndexFunc(Products, func(p Product) bool { return p.Class == in.Product })
		if k < 0 {
			return out, forPerson(
				fault.Invalid,
				wording.Say("We do not know that product."),
				wording.Say("Choose one from the list."),
			)
		}
		out.product, out.class = Products[k].Words.String(), in.Product
	}
	if h := strings.TrimSpace(in.Height); h != "" && q.AsksHeight() {
		if out.height, err = unit.ParseLength(q.Units.Complete(h)); err != nil || out.height <= 0 || out.height > 60 {
			return out, forPerson(
				fault.Invalid,
				wording.Say("%s is not a height that a bulb can have.", strconv.Quote(h)),
				wording.Say("Write it like 11/16 in or 17 mm, or leave it empty."),
			)
		}
	}
	if q.Kind == reminder.Moved {
		out.typed = oneLine(in.Where, 200)
		out.where, err = d.place(out.typed)
	}
	return out, err
}

// place finds the place that a person named.
func (d *Desk) place(typed string) (string, error) {
	if typed == "" {
		return "", &WhereError{forPerson(fault.Invalid, wording.Say("Please tell us where the coach stands now."),
			wording.Say("Write the town with its state, province or country, or its ZIP.")), nil}
	}
	if d.Places == nil {
		return typed, nil
	}
	p, err := d.Places.Lookup(typed)
	if err == nil {
		return p.Label(), nil
	}
	unclear := &WhereError{forPerson(
		fault.Invalid,
		wording.Say("We do not find %s.", strconv.Quote(typed)),
		wording.Say(
			"Choose a town from the list, or write one near it with its state, province or country, or its ZIP.",
		),
	), nil}
	if pe, ok := errors.AsType[*climate.PlaceError](err); ok {
		if pe.Ambiguous {
			unclear.PersonError = forPerson(
				fault.Invalid,
				wording.Say("There are several places called %s.", strconv.Quote(typed)),
				unclear.Hint,
			)
		}
		for _, c := range pe.Candidates {
			if _, err := d.Places.Lookup(c); err == nil { // only what settles the question
				unclear.Choices = append(unclear.Choices, c)
			}
		}
	}
	return "", unclear
}

// ofCoach records that a coach was sold or has moved, and tells the shop. It reports
// whether that is news.
func (d *Desk) ofCoach(ctx context.Context, tx *store.Tx, q *Question, x detailed) (news bool, err error) {
	n := q.Notice
	news, err = tx.AddReport(ctx, n.Account, n.Coach, q.Kind, n.Person, q.Today, x.where)
	if err != nil || !news {
		return false, err
	}
	row, err := tx.NoticeByKey(ctx, n.Account, n.Key)
	if err != nil {
		return false, err
	}
	if q.Kind == reminder.Moved {
		where := x.where
		if x.typed != where {
			where += fmt.Sprintf(" (they wrote %q)", x.typed)
		}
		text := n.PersonName + " says that this coach stands at another place now.\n\n" +
			d.lines(q, [2]string{"Where", where}) +
			"\nAccept the new place with one press: " + d.Signer.BaseURL + "/calls\nThe dates then follow it.\n"
		return true, d.tell(ctx, tx, q.Account, row, "moved", "Coach has moved: "+q.coach.Name(), text, n.Person)
	}
	if _, err := tx.WithdrawCoach(ctx, n.Account, n.Coach); err != nil {
		return false, err
	}
	text := fmt.Sprintf("%s says that this coach was sold. Nobody is written to about it any more; its history "+
		"stays.\n\n%s\n"+
		"When you know the new owner, enter them on the coach's page. If it was a mistake, "+
		"%s can undo it for %d days with the link they used.\n", n.PersonName, d.lines(q), n.PersonName, undoDays)
	return true, d.tell(ctx, tx, q.Account, row, "sold", "Coach sold: "+q.coach.Name(), text, n.Person)
}
