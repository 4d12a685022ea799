package reminder

import (
	"embed"
	htmltemplate "html/template"
	"strings"
	texttemplate "text/template"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

//go:embed templates
var files embed.FS

var (
	textMail = texttemplate.Must(texttemplate.New("notice.txt").Funcs(texttemplate.FuncMap{"wrap": wrap}).ParseFS(files,
		"templates/notice.txt"))
	htmlMail = htmltemplate.Must(htmltemplate.ParseFS(files, "templates/notice.html", "templates/head.html"))
)

// letter is what the templates read.
type letter struct {
	*wording.Words
	Name     string // the person's
	Coach    string
	Title    string
	Facts    []fact // when, where, how long
	Visit    bool   // the reminder of an agreed day
	Shop     bool   // work that only the shop does: its booking comes first
	Danger   bool
	Why      string
	How      []string
	Also     []also
	Allow    string // what may touch the seal
	Never    string
	Cautions []string
	Links    map[string]string // by answer
	Page     string            // of the coach, for its people
	Account  *coach.Account
}

type fact struct{ Label, Value string }

// Pad returns a label with the blanks after it that line up values in plain text.
func (l letter) Pad(label string, width int) string {
	return label + strings.Repeat(" ", max(2, width-len([]rune(label))))
}

// Wide is how much room the longest of some phrases needs before what follows it.
func (l letter) Wide(ids ...string) int {
	n := 0
	for _, id := range ids {
		n = max(n, len([]rune(l.T(id)))+3)
	}
	return n
}

// Tel is the shop's phone number as a link takes it; "" without one.
func (l letter) Tel() htmltemplate.URL { return Tel(l.Account.Phone) }

// Tel returns a phone number as a tel: link (RFC 3966): digits and a leading +, no blanks
// or brackets; "" when there are no digits.
func Tel(phone string) htmltemplate.URL {
	digits := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, phone)
	if digits == "" {
		return ""
	}
	if strings.HasPrefix(strings.TrimSpace(phone), "+") {
		digits = "+" + digits
	}
	return htmltemplate.URL("tel:" + digits)
}

// Indent is where the values of the facts begin in plain text.
func (l letter) Indent() int {
	n := 6
	for _, f := range l.Facts {
		n = max(n, len([]rune(l.T("%s:", f.Label))))
	}
	return n + 2
}

// also is another task of the same message.
type also struct {
	Title, Where, When string
}

func (in *Input) render(n *Notice, p *coach.Person, due []candidate) {
	lead := due[0].task
	same, others := in.split(due)
	rule := in.Rules.Tell(lead.Kind, in.materials(same))
	if lead.Kind == coach.SafetyStop {
		var slides []coach.SlideID
		for _, c := range due {
			slides = append(slides, c.task.Slide)
		}
		rule = StopRule(rule, in.Coach, slides, in.Today)
	}
	w := in.language(p)
	in.words, in.leave = w, civil.FromTime(n.NotBefore.In(in.zone(p)))
	l := letter{Words: w, Name: p.Name, Coach: in.Coach.Name(), Title: w.T(rule.Title), Why: lead.Why.In(w),
		Visit: lead.Kind == coach.BookedVisit, Danger: lead.Kind == coach.SafetyStop, Shop: rule.Shop, Account: in.Account}
	for _, h := range rule.How {
		l.How = append(l.How, w.T(h.Text))
	}
	l.Facts = in.facts(lead, rule, same)
	if l.Visit {
		l.Also = in.planned(lead.Target)
	} else {
		for _, group := range others {
			t := group[0].task
			l.Also = append(l.Also, also{w.T(in.Rules.Tasks[in.told(t)].Title), in.where(group), in.when(t.Target)})
		}
	}
	if lead.Kind == coach.Lubricate || lead.Kind == coach.Clean {
		l.Allow, l.Never = in.careLists(same)
	}
	for _, c := range rule.Cautions {
		l.Cautions = append(l.Cautions, w.T(in.Rules.Cautions[c]))
	}
	if in.Links != nil {
		l.Links = map[string]string{}
		for k, v := range in.Links.Links(n) {
			l.Links[string(k)] = v
		}
		n.StopLink = l.Links[string(Stop)]
		if p, ok := in.Links.(Pager); ok {
			l.Page = p.Page(in.Account.ID, in.Coach)
		}
	}
	n.Subject = in.subject(lead, l.Title)
	n.Text, n.HTML = execute(l)
}

func (in *Input) subject(lead *plan.Task, title string) string {
	w, name, day := in.words, in.Coach.Name(), wording.DayMonth{Day: lead.Target}
	switch {
	case lead.Kind == coach.BookedVisit:
		return w.T("%[1]s: %[2]s on %[3]s", name, lower(title), day)
	case lead.Kind == coach.SafetyStop || !in.sure(lead.Target):
		return w.T("%[1]s: %[2]s", name, lower(title))
	}
	return w.T("%[1]s: %[2]s by %[3]s", name, lower(title), day)
}

func (in *Input) facts(lead *plan.Task, rule rulebook.Task, same []candidate) []fact {
	w := in.words
	if lead.Kind == coach.BookedVisit {
		return []fact{{w.T("When"), in.agreed(lead)},
			{w.T("Where"), strings.Join(strings.FieldsFunc(in.Account.Name+", "+in.Account.Postal, func(r rune) bool {
				return r == '\n'
			}), ", ")}}
	}
	when := in.when(lead.Target)
	if lead.Kind == coach.SafetyStop {
		when = w.T("now")
	}
	if lead.Kind == coach.SafetyStop { // a call takes no time of the coach's
		return []fact{{w.T("When"), when}, {w.T("Where"), in.where(same)}}
	}
	takes := w.T("%[1]d to %[2]d minutes a slide", rule.Minutes[0], rule.Minutes[1])
	if rule.Shop {
		takes = w.T("%s, at the shop", takes)
	}
	return []fact{{w.T("When"), when}, {w.T("Where"), in.where(same)}, {w.T("Takes"), takes}}
}

func execute(l letter) (text, html string) {
	var t, h strings.Builder
	// The templates are parsed at start and the data is a struct: an error here
	// is a fault of ours that the golden tests would show.
	if err := textMail.Execute(&t, l); err != nil {
		panic(err)
	}
	if err := htmlMail.Execute(&h, l); err != nil {
		panic(err)
	}
	return t.String(), h.String()
}

// split parts the tasks into those told as the leading kind and the other kinds, in
// order.
func (in *Input) split(due []candidate) (same []candidate, others [][]candidate) {
	at := map[coach.TaskKind]int{}
	for _, c := range due {
		kind := in.told(c.task)
		if kind == in.told(due[0].task) {
			same = append(same, c)
			continue
		}
		i, ok := at[kind]
		if !ok {
			i = len(others)
			at[kind] = i
			others = append(others, nil)
		}
		others[i] = append(others[i], c)
	}
	return same, others
}

// where says which slides and edges a group of tasks is about.
func (in *Input) where(group []candidate) string {
	tasks := make([]*plan.Task, len(group))
	for i, c := range group {
		tasks[i] = c.task
	}
	return Where(in.words, in.Coach, tasks)
}

// materials are those of the edges that some tasks are about.
func (in *Input) materials(group []candidate) (out []coach.Material) {
	for _, c := range group {
		out = append(out, in.Coach.Materials(c.task.Run)...)
	}
	return out
}

// careLists joins what may and may not touch the seals that some tasks are about.
func (in *Input) careLists(group []candidate) (allow, never string) {
	may, no := in.Rules.CareLists(in.materials(group))
	for _, l := range [][]string{may, no} {
		for i := range l {
			l[i] = in.words.T(l[i])
		}
	}
	return strings.Join(may, "; "), strings.Join(no, ", ")
}

// when says a target to a person, as it is on the day that the message leaves.
func (in *Input) when(d civil.Date) string {
	switch late := d.DaysUntil(in.leave); {
	case late > 60:
		return in.words.T("now; it is overdue")
	case d < in.Today:
		return in.words.T("now (it was due on %s)", d)
	case !in.sure(d):
		return in.words.T("as soon as you can")
	}
	return in.words.T("by %s", d)
}

// sure reports whether a day has not passed when the message arrives, also when it
// has to be sent again.
func (in *Input) sure(d civil.Date) bool { return d >= in.leave+SureDays }

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// wrap breaks a text into lines of at most 72 characters, as mail readers like it.
func wrap(n int, s string) string { return wording.Wrap(72, n, s) }
