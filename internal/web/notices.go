package web

import (
	"net/http"
	"slices"
	"strings"

	"sealmanac/internal/access"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
)

type noticesData struct {
	Tab        string
	Tabs       []tab
	Rows       []desk.NoticeRow
	Suppressed []silence
	Reasons    []reason
	Reason     string
	Campaigns  []desk.Progress
	Manager    bool
	Full       bool // more than are shown
}

type tab struct{ Key, Name string }

type silence struct {
	desk.SuppressedRow
	Kind, Run string
}

type reason struct {
	Reason, Words string
	N             int
}

var noticeTabs = []tab{{"planned", "planned"}, {"sent", "sent"}, {"failed", "failed"}, {"withdrawn", "withdrawn"},
	{"kept", "held back"}, {"lots", "lots"}}

var tabStates = map[string][]reminder.State{"planned": desk.Open, "sent": {reminder.Accepted},
	"failed": {reminder.GivenUp}, "withdrawn": {reminder.Withdrawn}}

// reasonWords say why a reminder was not sent.
var reasonWords = map[reminder.Reason]string{
	reminder.NotYet: "not due yet", reminder.AlreadyTold: "already mailed",
	reminder.Merged: "part of another message that day", reminder.TooSoon: "too soon after the last message",
	reminder.YearFull: "the contact limit for this year is reached", reminder.Snoozed: "asked us to wait",
	reminder.BookedAsked: "asked for an appointment", reminder.CallList: "did not answer: on the call list",
	reminder.OptedOut: "stopped reminders", reminder.NoAddress: "no e-mail address",
	reminder.BadAddress: "the e-mail address does not work",
	reminder.CoachSold:  "sold", reminder.DoneReported: "said it is done",
	reminder.Booked: "has an appointment", reminder.NoConsent: "no consent on record",
	reminder.Reached: "reached by phone", reminder.ByPhone: "the shop calls instead",
	reminder.TakenIn: "covered by other work", reminder.TooLate: "too late to send",
}

// mostRows is how many notices a page shows.
const mostRows = 200

func (s *Site) notices(r *http.Request, w access.Who) (view, error) {
	d := noticesData{Tab: r.URL.Query().Get("tab"), Tabs: noticeTabs, Manager: w.Role.May(access.Manager),
		Reason: r.URL.Query().Get("reason")}
	if !slices.ContainsFunc(noticeTabs, func(t tab) bool { return t.Key == d.Tab }) {
		d.Tab = "planned"
	}
	var err error
	switch d.Tab {
	case "kept":
		err = s.kept(r, w, &d)
	case "lots":
		d.Campaigns, err = s.Desk.Campaigns(r.Context(), w.Account)
	default:
		d.Rows, err = s.Desk.Queue(r.Context(), w.Account, tabStates[d.Tab], mostRows+1)
		if d.Full = len(d.Rows) > mostRows; d.Full {
			d.Rows = d.Rows[:mostRows]
		}
	}
	return view{page: "notices", title: "Notices", data: d}, err
}

func (s *Site) kept(r *http.Request, w access.Who, d *noticesData) error {
	rows, counts, err := s.Desk.Kept(r.Context(), w.Account, d.Reason, mostRows+1)
	if err != nil {
		return err
	}
	for k, n := range counts {
		d.Reasons = append(d.Reasons, reason{k, reasonWords[reminder.Reason(k)], n})
	}
	slices.SortFunc(d.Reasons, func(a, b reason) int { return b.N - a.N })
	if d.Full = len(rows) > mostRows; d.Full {
		rows = rows[:mostRows]
	}
	for _, x := range rows {
		f := append(strings.Split(x.TaskKey, "|"), "", "")
		d.Suppressed = append(d.Suppressed, silence{x, f[0], f[1]})
	}
	return nil
}

type noticeData struct {
	desk.NoticeRow
	Plain   string
	Manager bool
	Open    bool // may still leave
	Again   bool // may be let go
}

func (s *Site) notice(r *http.Request, w access.Who) (view, error) {
	row, err := s.Desk.Find(r.Context(), w.Account, r.PathValue("notice"))
	if err != nil {
		return view{}, err
	}
	d := noticeData{NoticeRow: row, Plain: deadLinks(row.Text), Manager: w.Role.May(access.Manager)}
	switch reminder.State(row.State) {
	case reminder.Queued, reminder.Retry:
		d.Open, d.Again = true, true
	case reminder.GivenUp, reminder.Withdrawn:
		d.Again = true
	}
	return view{page: "notice", title: row.Subject, data: d}, nil
}

// noticeHTML is the mail as its reader sees it, without working links.
func (s *Site) noticeHTML(r *http.Request, w access.Who) (view, error) {
	row, err := s.Desk.Find(r.Context(), w.Account, r.PathValue("notice"))
	if err != nil {
		return view{}, err
	}
	// the mail's own style is inline; it may do nothing else
	exchangeOf(r.Context()).writer.Header().Set("Content-Security-Policy",
		"default-src 'none'; style-src 'unsafe-inline'; sandbox; frame-ancestors 'self'")
	return view{file: &sent{media: "text/html; charset=utf-8", body: []byte(deadLinks(row.HTML))}}, nil
}

// deadLinks takes the tokens out of a mail's links: who looks at a mail here must not
// answer for its reader.
func deadLinks(text string) string { return desk.AnswerLink.ReplaceAllString(text, "/a/preview") }

func (s *Site) release(r *http.Request, w access.Who) (view, error) {
	row, err := s.Desk.Release(r.Context(), w.Account, r.PathValue("notice"))
	if err != nil {
		return view{}, err
	}
	if err := s.Desk.Note(r.Context(), w.Account, w.Email, "sent early", row.Subject); err != nil {
		return view{}, err
	}
	return goTo("/notices/"+r.PathValue("notice"), "released")
}

func (s *Site) takeBack(r *http.Request, w access.Who) (view, error) {
	row, err := s.Desk.TakeBack(r.Context(), w.Account, r.PathValue("notice"))
	if err != nil {
		return view{}, err
	}
	if err := s.Desk.Note(r.Context(), w.Account, w.Email, "withdrew", row.Subject); err != nil {
		return view{}, err
	}
	return goTo("/notices/"+r.PathValue("notice"), "withdrawn")
}
