package desk

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// ReturnKind is what came back at the return path of a notice.
type ReturnKind string

// The kinds.
const (
	Bounced    ReturnKind = "bounced"    // the address does not exist, for good
	Refused    ReturnKind = "refused"    // refused for good, for another reason than the address
	Delayed    ReturnKind = "delayed"    // a server tries on, or gave up for the time being
	Complained ReturnKind = "complained" // the person called it unwanted
	Replied    ReturnKind = "replied"    // a person wrote back
	Automatic  ReturnKind = "automatic"  // an answering machine did
)

// ReturnKinds lists them, for the metrics.
var ReturnKinds = []ReturnKind{Bounced, Refused, Delayed, Complained, Replied, Automatic}

// Return is one mail that came back.
type Return struct {
	Kind    ReturnKind
	Words   string // the server's, of a bounce
	From    string // of a reply
	Subject string
	Text    string
}

// ReturnPath is the local part of the envelope address of a notice: what comes
// back to it names the notice, and nobody can make one up.
func (s *Signer) ReturnPath(linkID string) string {
	return "r" + linkID + "." + s.returnMAC(linkID)
}

func (s *Signer) returnMAC(linkID string) string {
	m := hmac.New(sha256.New, s.Key)
	m.Write([]byte("return " + linkID))
	return hex.EncodeToString(m.Sum(nil)[:8])
}

var returnForm = regexp.MustCompile(`^r([0-9a-f]{32})\.([0-9a-f]{16})$`)

// ReadReturnPath returns the notice that a local part names.
func (s *Signer) ReadReturnPath(local string) (linkID string, ok bool) {
	f := returnForm.FindStringSubmatch(strings.ToLower(local))
	if f == nil || !hmac.Equal([]byte(f[2]), []byte(s.returnMAC(f[1]))) {
		return "", false
	}
	return f[1], true
}

// Returned acts on a mail that came back for a notice: a dead address is marked and
// its open notices are withdrawn, a complaint stops the reminders, a reply goes on
// to the shop; the shop is told of each.
func (d *Desk) Returned(ctx context.Context, linkID string, r Return) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		row, err := tx.NoticeByLink(ctx, linkID)
		if err != nil {
			return err
		}
		a, err := tx.Account(ctx, coach.AccountID(row.Account), true)
		if err != nil {
			return err
		}
		outs, err := tx.OptOuts(ctx, a.ID)
		if err != nil {
			return err
		}
		shops := strings.HasPrefix(row.TaskKey, "shop|")
		err = d.returned(ctx, tx, a, row, r, shops)
		if err != nil || shops {
			return err
		}
		switch r.Kind {
		case Bounced, Refused:
			return tx.AddEvents(ctx, a.ID, store.Happened{Kind: "notice.bounced", Coach: coach.ID(row.Coach),
				Data: map[string]any{"notice": reminder.Short(row.LinkID), "person": row.Person, "words": r.Words,
					"address_dead": r.Kind == Bounced}})
		case Complained:
			if outs[row.Person] {
				return nil // they had stopped already
			}
			return tx.AddEvents(ctx, a.ID, store.Happened{Kind: "notice.opted_out", Coach: coach.ID(row.Coach),
				Data: map[string]any{"person": row.Person, "complaint": true}})
		}
		return nil
	})
}

// returned does what a mail that came back asks for.
func (d *Desk) returned(
	ctx context.Context, tx *store.Tx, a coach.Account, row store.NoticeRow, r Return, shops bool,
) error {
	switch {
	case r.Kind == Bounced && !shops:
		if err := tx.MarkBad(ctx, a.ID, row.Person, r.Words); err != nil {
			return err
		}
		if _, err := tx.Withdraw(ctx, a.ID, row.Person, ""); err != nil {
			return err
		}
		text := fmt.Sprintf("The mail %q to %s <%s> came back.\n\nThe server says: %s\n\nNothing more is sent there. "+
			"Ask for the right address when you call them, and enter it on the coach's page:\n%s/coach/%s\n",
			row.Subject, row.PersonName, row.Person, r.Words, d.Signer.BaseURL, row.Coach)
		return d.tell(ctx, tx, a, row, "bounce", "Address does not work: "+row.Person, text, "")
	case r.Kind == Complained && !shops:
		if err := tx.OptOut(ctx, a.ID, row.Person); err != nil {
			return err
		}
		if _, err := tx.Withdraw(ctx, a.ID, row.Person, ""); err != nil {
			return err
		}
		return d.tell(ctx, tx, a, row, "complaint", "Reminders unwanted: "+row.Person,
			fmt.Sprintf("%s <%s> marked the mail %q as unwanted. "+
				"They get no more reminders; call them before you write again.\n", row.PersonName, row.Person, row.Subject), "")
	case r.Kind == Refused && !shops:
		return d.tell(ctx, tx, a, row, "refused", "Mail refused: "+row.Person,
			fmt.Sprintf("The mail %q to %s <%s> was refused, though the address may well exist.\n\nThe server says: "+
				"%s\n\nLater mails are tried as before. When many are refused, ask whoever runs your mail server.\n", row.Subject,
				row.PersonName, row.Person, r.Words), "")
	case r.Kind == Replied && !shops: // an answer to a mail to the shop is the shop's own, or its machine's
		return d.tell(ctx, tx, a, row, "reply", "Answer from "+row.Person+": "+r.Subject,
			fmt.Sprintf("%s answered the mail %q.\n\n%s\n", r.From, row.Subject, r.Text), r.From)
	}
	return nil // shops, delays, machines: nothing to do
}

// mostTold bounds what the shop is told about one task and one kind of return in a
// day: whoever holds a return path must not flood it.
const mostTold = 5

// tell writes to the shop about something that came back; the same thing once a day.
func (d *Desk) tell(
	ctx context.Context, tx *store.Tx, a coach.Account, row store.NoticeRow, kind, subject, text, replyTo string,
) error {
	if a.Email == "" {
		return nil // the state is on record; nobody to tell
	}
	today := d.today(a)
	if n, err := tx.MadeToday(ctx, a.ID, "shop|"+kind+"|"+row.TaskKey, today); err != nil || n >= mostTold {
		return err
	}
	sum := sha256.Sum256([]byte(kind + row.Key + today.String() + text))
	return d.toShop(ctx, tx, a, sum, reminder.Notice{
		Key: kind + "|" + hex.EncodeToString(sum[16:24]) + "|" + row.Key, Coach: coach.ID(row.Coach),
		Task:    coach.TaskKind(row.Task),
		TaskKey: "shop|" + kind + "|" + row.TaskKey, Run: row.Run, Target: today, ReplyTo: replyTo,
		Subject: oneLine(subject, 200), Text: text, Covers: []string{},
	})
}

// oneLine cuts a text to one line of at most n characters.
func oneLine(s string, n int) string {
	r := []rune(strings.Join(strings.Fields(s), " "))
	return string(r[:min(n, len(r))])
}
