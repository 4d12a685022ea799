package reminder

import (
	"embed"
	"fmt"
	htmltemplate "html/template"
	"strings"
	texttemplate "text/template"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/wording"
)

//go:embed templates
var files embed.FS

var (
	textMail = texttemplate.Must(texttemplate.New("notice.txt").Funcs(texttemplate.FuncMap{"wrap": wrap}).ParseFS(files, "templates/notice.txt"))
	htmlMail = htmltemplate.Must(htmltemplate.ParseFS(files, "templates/notice.html", "templates/head.html"))
)

// letter is what the templates read.
type letter struct {
	Name     string // the person's
	Coach    string
	Title    string
	Where    string // which slides and runs
	When     string
	Overdue  bool
	Why      string
	How      []string
	Minutes  string
	Shop     bool // done at the shop
	Also     []also
	Allow    string // what may touch the seal
	Never    string
	Cautions []string
	Links    map[string]string // by answer
	Account  *coach.Account
}

// also is another task of the same message.
type also struct {
	Title, Where, When string
}

func (in *Input) render(n *Notice, p *coach.Person, due []candidate) {
	lead := due[0].task
	rule := in.Rules.Tasks[lead.Kind]
	l := letter{
		Name: p.Name, Coach: in.Coach.Name(), Title: rule.Title, When: in.when(lead.Target), Overdue: lead.Target < in.Today,
		Why: lead.Why, How: rule.How, Minutes: fmt.Sprintf("%d to %d minutes a slide", rule.Minutes[0], rule.Minutes[1]), Shop: rule.Shop, Account: in.Account,
	}
	same, others := split(due)
	l.Where = in.where(same)
	for _, group := range others {
		t := group[0].task
		l.Also = append(l.Also, also{in.Rules.Tasks[t.Kind].Title, in.where(group), in.when(t.Target)})
	}
	if lead.Kind == coach.Lubricate || lead.Kind == coach.Clean {
		l.Allow, l.Never = in.careLists(same)
	}
	for _, c := range rule.Cautions {
		l.Cautions = append(l.Cautions, in.Rules.Cautions[c])
	}
	if in.Links != nil {
		l.Links = map[string]string{}
		for k, v := range in.Links.Links(n) {
			l.Links[string(k)] = v
		}
		n.StopLink = l.Links[string(Stop)]
	}
	n.Subject = fmt.Sprintf("%s: %s", in.Coach.Name(), lower(rule.Title))
	if lead.Kind == coach.SafetyStop {
		l.When = "now"
	} else if !l.Overdue {
		n.Subject += " by " + lead.Target.Time().Format("2 January")
	}
	n.Text, n.HTML = execute(l)
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

// split parts the tasks into those of the leading kind and the other kinds, in
// order.
func split(due []candidate) (same []candidate, others [][]candidate) {
	at := map[coach.TaskKind]int{}
	for _, c := range due {
		if c.task.Kind == due[0].task.Kind {
			same = append(same, c)
			continue
		}
		i, ok := at[c.task.Kind]
		if !ok {
			i = len(others)
			at[c.task.Kind] = i
			others = append(others, nil)
		}
		others[i] = append(others[i], c)
	}
	return same, others
}

// where says which slides and edges a group of tasks is about.
func (in *Input) where(group []candidate) string {
	var order []coach.SlideID
	edges := map[coach.SlideID][]string{}
	for _, c := range group {
		if _, seen := edges[c.task.Slide]; !seen {
			order = append(order, c.task.Slide)
			edges[c.task.Slide] = nil
		}
		if edge := edgeWords(c.task); edge != "" {
			edges[c.task.Slide] = append(edges[c.task.Slide], edge)
		}
	}
	var out []string
	for _, id := range order {
		s := in.slideName(id)
		switch e := edges[id]; {
		case len(e) >= in.runs(id) && len(e) > 1:
			s += " (all edges)"
		case len(e) > 0:
			s += " (" + strings.Join(e, ", ") + ")"
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

func (in *Input) slideName(id coach.SlideID) string {
	for i := range in.Coach.Slides {
		if in.Coach.Slides[i].ID == id {
			return in.Coach.Slides[i].Name()
		}
	}
	return string(id)
}

func (in *Input) runs(id coach.SlideID) int {
	for i := range in.Coach.Slides {
		if in.Coach.Slides[i].ID == id {
			return len(in.Coach.Slides[i].Runs)
		}
	}
	return 0
}

var sideWords = map[string]string{"top": "top edge", "bottom": "bottom edge", "fore": "front edge", "aft": "rear edge"}

// edgeWords turns "galley/outer/top" into "outer top edge".
func edgeWords(t *plan.Task) string {
	parts := strings.Split(t.Run, "/")
	if len(parts) != 3 {
		return ""
	}
	return parts[1] + " " + sideWords[parts[2]]
}

// careLists joins what may and may not touch the materials of the runs named.
func (in *Input) careLists(group []candidate) (allow, never string) {
	named := map[string]bool{}
	for _, c := range group {
		named[c.task.Run] = true
	}
	var materials []coach.Material
	for i := range in.Coach.Slides {
		s := &in.Coach.Slides[i]
		for j := range s.Runs {
			if !named[s.Address(s.Runs[j])] {
				continue
			}
			for _, p := range s.Runs[j].Parts {
				if p.Kind != coach.Carrier && p.Kind != coach.Adhesive {
					materials = append(materials, p.Material)
				}
			}
		}
	}
	may, no := in.Rules.CareLists(materials)
	return strings.Join(may, "; "), strings.Join(no, ", ")
}

// when says a target to a person.
func (in *Input) when(d civil.Date) string {
	switch late := d.DaysUntil(in.Today); {
	case late > 60:
		return "now; it is well past its time"
	case late > 0:
		return "now (it was due on " + d.Long() + ")"
	}
	return "by " + d.Long()
}

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// wrap breaks a text into lines of at most 72 characters, as mail readers like it.
func wrap(n int, s string) string { return wording.Wrap(72, n, s) }
