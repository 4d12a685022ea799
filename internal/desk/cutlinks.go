package desk

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// signedLink finds the whole address of a link that answers for somebody, or that opens
// the page of somebody's coach.
var signedLink = regexp.MustCompile(`(?:https?://[^\s"'<>]+?)?/(?:a/[A-Za-z0-9_-]{20,}|o/[A-Za-z0-9_-]+\.[A-Za-z0-9_-]{20,})`)

// cutMark stands in an archive for a link that was cut, before the answer that it was
// for, or pageMark.
const (
	cutMark  = "answer-link:"
	pageMark = "page"
)

// cutLinks replaces each signed link by a mark of what it was for.
func cutLinks(text string) string {
	if !strings.Contains(text, "/a/") && !strings.Contains(text, "/o/") {
		return text
	}
	return signedLink.ReplaceAllStringFunc(text, func(link string) string {
		at := strings.LastIndexByte(link, '/')
		if strings.HasSuffix(link[:at], "/o") {
			return cutMark + pageMark
		}
		b, err := base64.RawURLEncoding.DecodeString(link[at+1:])
		if err != nil || len(b) != tokenSize || int(b[0]) >= len(reminder.AnswerKinds) {
			return cutMark + "none"
		}
		return cutMark + string(reminder.AnswerKinds[b[0]])
	})
}

// relink puts links of this store into an archived notice that may still be sent. One
// that was sent keeps its marks.
func (d *Desk) relink(ctx context.Context, tx *store.Tx, id coach.AccountID, row map[string]any) error {
	if d.Signer == nil || row["state"] == string(reminder.Accepted) {
		return nil
	}
	target, err := civil.Parse(fmt.Sprint(row["target"]))
	at, _ := row["not_before"].(json.Number)
	micros, e := at.Int64()
	if err != nil || e != nil {
		return badArchive("notice.jsonl has a notice without its day")
	}
	c, _, err := tx.CoachDoc(ctx, id, coach.ID(fmt.Sprint(row["coach_id"])))
	if err != nil && fault.KindOf(err) != fault.NotFound {
		return err
	}
	n := reminder.Notice{LinkID: fmt.Sprint(row["link_id"]), Target: target, NotBefore: time.UnixMicro(micros).UTC()}
	links := []string{cutMark + pageMark, d.Signer.Page(id, &c)}
	for kind, link := range d.Signer.Links(&n) {
		links = append(links, cutMark+string(kind), link)
	}
	put := strings.NewReplacer(links...)
	for _, column := range []string{"body_text", "body_html", "stop_link"} {
		if text, ok := row[column].(string); ok {
			row[column] = put.Replace(text)
		}
	}
	return nil
}
