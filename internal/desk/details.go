package desk

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/civil"
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
	{"soap_water", wording.Say("mild soap and water only")}, {"water_based", wording.Say("a water-based protectant")}, {"makers", wording.Say("what the seal's maker names")}, {"silicone", wording.Say("something with silicone")},
	{"petroleum", wording.Say("something with petroleum, grease or solvent")}, {"other", wording.Say("something else")},
}

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
	day     civil.Date
	product string
	height  unit.Length
	where   string
}

// read checks what a person wrote; today is the shop's day.
func (d Details) read(q Question, today civil.Date) (out detailed, err error) {
	out.day = today
	if d.Day != "" && q.AsksDay() {
		if out.day, err = civil.Parse(d.Day); err != nil || out.day > today || out.day < today.Add(-longAgo) {
			return out, fault.New(fault.Invalid, fmt.Sprintf("%q is not a day of the last %d days", d.Day, longAgo), "Go back and give the day on which it was done, or leave it as it is.")
		}
	}
	if d.Product != "" && q.AsksProduct() {
		k := slices.IndexFunc(Products, func(p Product) bool { return p.Class == d.Product })
		if k < 0 {
			return out, fault.New(fault.Invalid, "that product is not known here", "Go back and choose one of the list.")
		}
		out.product = Products[k].Words.String()
	}
	if h := strings.TrimSpace(d.Height); h != "" && q.AsksHeight() {
		if out.height, err = unit.ParseLength(h); err != nil || out.height <= 0 || out.height > 60 {
			return out, fault.New(fault.Invalid, fmt.Sprintf("%q is not a bulb's height", h), "Go back and write it with its unit, such as 17 mm or 11/16 in, or leave it empty.")
		}
	}
	out.where = oneLine(d.Where, 200)
	return out, nil
}

// ofCoach records that a coach was sold or has moved, and tells the shop. It reports
// whether that is news.
func (d *Desk) ofCoach(ctx context.Context, tx *store.Tx, q Question, x detailed) (news bool, err error) {
	n, today := q.Notice, d.today(q.Account)
	news, err = tx.AddReport(ctx, n.Account, n.Coach, q.Kind, n.Person, today, x.where)
	if err != nil || !news {
		return false, err
	}
	row, err := tx.NoticeByKey(ctx, n.Account, n.Key)
	if err != nil {
		return false, err
	}
	if q.Kind == reminder.Moved {
		where := x.where
		if where == "" {
			where = "they did not say"
		}
		return true, d.tell(ctx, tx, q.Account, row, "moved", "Coach has moved: "+string(n.Coach),
			fmt.Sprintf("%s <%s> says that %s stands elsewhere now.\n\nWhere: %s\n\nAdd a stay to its file and import it: the dates then follow the new place.\n", n.PersonName, n.Person, n.Coach, where), n.Person)
	}
	if _, err := tx.WithdrawCoach(ctx, n.Account, n.Coach); err != nil {
		return false, err
	}
	return true, d.tell(ctx, tx, q.Account, row, "sold", "Coach sold: "+string(n.Coach),
		fmt.Sprintf("%s <%s> says that %s was sold. Nobody is written to about it any more; its history stays.\n\nImport it with its new people when you know them, or run 'sealmanac resume %s' if this was a mistake.\n", n.PersonName, n.Person, n.Coach, n.Person), n.Person)
}
