package desk

import (
	"context"
	"crypto/subtle"
	"encoding/base64"
	"regexp"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

// ownerMark parts an owner's token from an answer's: the two are signed over
// different texts.
const ownerMark = "owner|"

// OwnerToken returns the token of a coach's page for its people. It works until the
// coach changes hands: the address of its first person is in what is signed.
func (s *Signer) OwnerToken(id coach.AccountID, c *coach.Coach) string {
	about := string(id) + "|" + string(c.ID)
	return base64.RawURLEncoding.EncodeToString([]byte(about)) + "." +
		base64.RawURLEncoding.EncodeToString(s.mac([]byte(ownerMark+about+"|"+holder(c))))
}

// Page returns the address of a coach's page; it makes Signer a reminder.Pager.
func (s *Signer) Page(id coach.AccountID, c *coach.Coach) string {
	return s.BaseURL + "/o/" + s.OwnerToken(id, c)
}

func holder(c *coach.Coach) string {
	if len(c.People) == 0 {
		return ""
	}
	return c.People[0].Email + "|" + c.People[0].Name
}

// readOwner returns whose page a token is, unchecked.
func readOwner(token string) (coach.AccountID, coach.ID, bool) {
	head, _, ok := strings.Cut(token, ".")
	b, err := base64.RawURLEncoding.Strict().DecodeString(head)
	account, id, ok2 := strings.Cut(string(b), "|")
	return coach.AccountID(account), coach.ID(id), ok && ok2 && err == nil && shortName.MatchString(account) &&
		shortName.MatchString(id)
}

// shortName is how accounts and coaches are named.
var shortName = regexp.MustCompile(`^[A-Za-z0-9_-]{1,100}$`)

// OwnerPage is what a coach's people see without an account.
type OwnerPage struct {
	CoachPage
	Person  coach.Person
	Words   *wording.Words
	Actions map[string]string // token by answer, of the newest open notice to the first person
	Newest  *store.NoticeRow
	Link    string
	Token   string
	Said    []Said
	Off     bool   // the person stopped the reminders
	Undo    string // path that takes back that the coach was sold, or that reminders are off; "": none does
}

// Said is an answer that is on record.
type Said struct {
	Day, Until civil.Date
	Kind       reminder.AnswerKind
	Task       coach.TaskKind // "": about the coach
	TaskKey    string
	Place      string // Moved
}

// saidDays is for how long a page shows what its people answered.
const saidDays = 180

// answers returns what people answered about a coach lately, the newest first and each
// once, however many edges it was about.
func answers(
	ctx context.Context,
	tx *store.Tx,
	id coach.AccountID,
	c coach.ID,
	today civil.Date,
) (out []Said, err error) {
	all, err := tx.Answers(ctx, id, c)
	if err != nil {
		return nil, err
	}
	for _, a := range all[c] {
		kind, _, _ := strings.Cut(a.TaskKey, "|")
		if kind != "lot" && a.Day > today-saidDays {
			out = append(
				out,
				Said{Day: a.Day, Until: a.Until, Kind: a.Kind, Task: coach.TaskKind(kind), TaskKey: a.TaskKey},
			)
		}
	}
	rs, err := tx.Reports(ctx, id, c)
	if err != nil {
		return nil, err
	}
	for _, r := range rs {
		if day, err := civil.Parse(r.Day); err == nil && r.Kind == string(reminder.Moved) {
			out = append(out, Said{Day: day, Kind: reminder.Moved, Place: r.Note})
		}
	}
	slices.SortStableFunc(out, func(a, b Said) int { return int(b.Day - a.Day) })
	return out, nil
}

// OwnerPage returns the page that a signed link opens.
func (d *Desk) OwnerPage(ctx context.Context, token string) (p OwnerPage, err error) {
	id, c, ok := readOwner(token)
	if !ok || d.Signer == nil {
		return p, errLink
	}
	var doc coach.Coach
	err = d.DB.View(ctx, func(tx *store.Tx) (err error) { doc, _, err = tx.CoachDoc(ctx, id, c); return err })
	if fault.KindOf(err) == fault.NotFound || err == nil && !constantEqual(d.Signer.OwnerToken(id, &doc), token) {
		return OwnerPage{}, errLink
	}
	if err != nil {
		return p, err
	}
	if p.CoachPage, err = d.CoachPage(ctx, id, c); err != nil {
		return p, err
	}
	if len(p.Coach.People) > 0 {
		p.Person = p.Coach.People[0]
	}
	lang := p.Person.Language
	if lang == "" {
		lang = p.Account.Language
	}
	p.Words = d.Words.In(lang)
	p.Link, p.Token = d.Signer.BaseURL+"/o/"+token, token
	if err := d.stands(ctx, &p); err != nil {
		return p, err
	}
	if p.Sold() {
		return p, nil
	}
	for i := range p.Notices {
		if n := &p.Notices[i]; n.AnsweredAt == nil && n.Person == p.Person.Email && n.State == "accepted" &&
			!strings.HasPrefix(n.TaskKey, "lot|") {
			p.Newest = n
			break
		}
	}
	if p.Newest != nil {
		n, err := p.Newest.Notice()
		if err != nil {
			return p, err
		}
		p.Actions = map[string]string{}
		for k, link := range d.Signer.Links(&n) {
			p.Actions[string(k)] = strings.TrimPrefix(link, d.Signer.BaseURL)
		}
	}
	return p, nil
}

// Sold reports whether the coach is nobody's here any more, so that the page asks nothing.
func (p *OwnerPage) Sold() bool { return p.Coach.Sold != 0 && p.Coach.Sold <= p.Today }

// stands reads what the coach's people said before, and how they take it back.
func (d *Desk) stands(ctx context.Context, p *OwnerPage) error {
	return d.DB.View(ctx, func(tx *store.Tx) (err error) {
		id, c := p.Account.ID, p.Coach.ID
		if p.Said, err = answers(ctx, tx, id, c, p.Today); err != nil {
			return err
		}
		outs, err := tx.OptOuts(ctx, id)
		if err != nil {
			return err
		}
		p.Off = outs[p.Person.Email] && p.Person.Email != ""
		said, err := d.soldSaid(ctx, tx, &p.Coach, id, p.Today)
		k := slices.IndexFunc(p.Notices, func(n store.NoticeRow) bool {
			return n.Person == p.Person.Email && !strings.HasPrefix(n.TaskKey, "shop|")
		})
		switch {
		case k < 0 || err != nil:
		case p.Sold() && said:
			p.Undo = d.undoLink(reminder.NotSold, p.Notices[k].LinkID, p.Coach.Sold+undoDays)
		case p.Off && !p.Sold():
			p.Undo = d.undoLink(reminder.Restart, p.Notices[k].LinkID, p.Today+linkDays)
		}
		return err
	})
}

func constantEqual(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }
