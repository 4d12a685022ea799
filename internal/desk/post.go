package desk

import (
	"context"
	"crypto/sha256"
	"fmt"

	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// AccessTask is the kind of mails with invitations and new passwords. They stand in
// no list: their links are for one person.
const AccessTask coach.TaskKind = "access"

// Post mails something of the account to somebody who signs in, at once; it is an
// access.Post.
func (d *Desk) Post(ctx context.Context, tx *store.Tx, a coach.Account, email, name, subject, text string) error {
	sum := sha256.Sum256([]byte("access|" + email + "|" + subject + "|" + text))
	n := d.letter(tx, a, sum, reminder.Notice{Key: fmt.Sprintf("access|%x", sum[:8]), Task: AccessTask,
		TaskKey: "shop|access", ReplyTo: a.Email, Target: d.today(a), Subject: subject, Text: text, Covers: []string{}})
	n.Person, n.PersonName = email, name
	return d.enqueue(ctx, tx, a, n)
}
