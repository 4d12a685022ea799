package reminder

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	htmltemplate "html/template"
	"strings"
	texttemplate "text/template"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

// LotTask is the kind of a notice about a lot; it is never on a ladder.
const LotTask coach.TaskKind = "lot_notice"

// LotKey is the task key of a campaign's notices. They are a stream of their own:
// they count for no manners and an ordinary stop does not end them.
func LotKey(campaign string) string { return "lot|" + campaign }

// IsLot reports whether a notice belongs to a campaign about a lot.
func (n *Notice) IsLot() bool { return strings.HasPrefix(n.TaskKey, "lot|") }

// LotPart is a part found on a coach.
type LotPart struct {
	Run    string // its address
	Part   coach.PartKind
	Fitted civil.Date
	Lot    string
}

// LotInput is what one person is told about a lot.
type LotInput struct {
	Campaign, Lot string
	Subject, Said string // the shop's own, checked by the shop
	Account       *coach.Account
	Coach         *coach.Coach
	Person        *coach.Person
	Where         []LotPart // the parts found
	Today         civil.Date
	Now           time.Time
	Rules         *rulebook.Rulebook
	Links         Linker
	Domain        string
	Catalogue     *wording.Catalogue // languages; nil: English
}

var (
	textLot = texttemplate.Must(texttemplate.New("lot.txt").Funcs(texttemplate.FuncMap{"wrap": wrap}).ParseFS(files,
		"templates/lot.txt"))
	htmlLot = htmltemplate.Must(htmltemplate.ParseFS(files, "templates/lot.html", "templates/head.html"))
)

// Lot writes the notice about a lot to one person.
func Lot(in LotInput) Notice {
	zone := Input{Coach: in.Coach, Account: in.Account, Today: in.Today}
	n := Notice{
		Account: in.Account.ID, Coach: in.Coach.ID, Person: in.Person.Email, PersonName: in.Person.Name, Task: LotTask,
		TaskKey: LotKey(in.Campaign), Rungs: 1, Target: in.Today,
		Why: "lot " + in.Lot, NotBefore: NextHours(in.Rules.Manners, in.Today, in.Now, zone.zone(in.Person)),
		From: in.Account.Name, ReplyTo: in.Account.Email,
		Subject: in.Coach.Name() + ": " + in.Subject, Covers: []string{},
	}
	w := in.Catalogue.In(cmp.Or(in.Person.Language, in.Account.Language))
	n.Language = w.Lang()
	n.Key = strings.Join([]string{string(n.Account), string(n.Coach), n.TaskKey, n.Person}, "|")
	sum := sha256.Sum256([]byte(n.Key))
	n.LinkID = hex.EncodeToString(sum[:16])
	n.MessageID = "<" + n.LinkID + "@" + in.Domain + ">"
	l := struct {
		letter
		Paragraphs []string
		Parts      []string
	}{letter{Words: w, Name: in.Person.Name, Coach: in.Coach.Name(), Title: in.Subject, Account: in.Account},
		paragraphs(in.Said), nil}
	zone.words = w
	for _, p := range in.Where {
		slide, run, _ := strings.Cut(p.Run, "/")
		l.Parts = append(l.Parts, w.T("%[1]s, %[2]s: %[3]s, fitted on %[4]s, lot %[5]s",
			slideName(w, in.Coach, coach.SlideID(slide)), Edge(w, run), plan.PartWords[p.Part], p.Fitted, p.Lot))
	}
	l.Cautions = []string{w.T(in.Rules.Cautions["makers"]), w.T(in.Rules.Cautions["moving_room"])}
	if in.Links != nil {
		l.Links = map[string]string{}
		for k, v := range in.Links.Links(&n) {
			l.Links[string(k)] = v
		}
	}
	var t, h strings.Builder
	if err := textLot.Execute(&t, l); err != nil {
		panic(err) // see execute
	}
	if err := htmlLot.Execute(&h, l); err != nil {
		panic(err)
	}
	n.Text, n.HTML = t.String(), h.String()
	return n
}

func paragraphs(s string) (out []string) {
	for _, p := range strings.Split(strings.ReplaceAll(s, "\r\n", "\n"), "\n\n") {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}
