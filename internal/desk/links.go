package desk

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"regexp"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/reminder"
)

// Signer makes and reads the links of messages. A link names one notice and one
// answer, ends with its time and cannot be made without the key; it holds no
// name and no address.
type Signer struct {
	Key     []byte // 32 random bytes of the store
	BaseURL string // where people reach the pages, without a slash at the end
}

// linkDays is how long after its target a link works.
const linkDays = 365

// tokenSize: answer 1, notice 16, last day 4, signature 16 bytes.
const tokenSize = 1 + 16 + 4 + 16

// Links returns the links of a notice; it makes Signer a reminder.Linker.
func (s *Signer) Links(n *reminder.Notice) reminder.Links {
	out := reminder.Links{}
	for _, k := range reminder.AnswerKinds {
		out[k] = s.BaseURL + "/a/" + s.Token(k, n.LinkID, max(n.Target, civil.FromTime(n.NotBefore))+linkDays)
	}
	return out
}

// Token returns the signed token of an answer to a notice, good up to last.
func (s *Signer) Token(k reminder.AnswerKind, linkID string, last civil.Date) string {
	id, err := hex.DecodeString(linkID)
	if err != nil || len(id) != 16 {
		return "" // a notice without an identity has no links
	}
	b := make([]byte, 0, tokenSize)
	b = append(b, byte(slices.Index(reminder.AnswerKinds, k)))
	b = append(b, id...)
	b = binary.BigEndian.AppendUint32(b, uint32(last))
	return base64.RawURLEncoding.EncodeToString(append(b, s.mac(b)...))
}

func (s *Signer) mac(b []byte) []byte {
	m := hmac.New(sha256.New, s.Key)
	m.Write(b)
	return m.Sum(nil)[:16]
}

// Link is what a token says.
type Link struct {
	Kind reminder.AnswerKind
	ID   string
}

// signed returns what a token of ours holds, whether it is out of date or not.
func (s *Signer) signed(token string) (b []byte, ok bool) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(token)
	ok = err == nil && len(b) == tokenSize && hmac.Equal(b[tokenSize-16:], s.mac(b[:tokenSize-16]))
	return b, ok && int(b[0]) < len(reminder.AnswerKinds)
}

// LinkID returns the notice that a token of ours names, also one that is out of date.
func (s *Signer) LinkID(token string) (linkID string, ok bool) {
	b, ok := s.signed(token)
	if !ok {
		return "", false
	}
	return hex.EncodeToString(b[1:17]), true
}

// Read checks a token on a day. Anything wrong with it gives the same answer.
func (s *Signer) Read(token string, today civil.Date) (Link, error) {
	b, ok := s.signed(token)
	if !ok {
		return Link{}, errLink
	}
	last := civil.Date(binary.BigEndian.Uint32(b[17:21]))
	if today > last {
		return Link{}, errLink
	}
	return Link{reminder.AnswerKinds[b[0]], hex.EncodeToString(b[1:17])}, nil
}

// AnswerLink finds the part of an address that answers for somebody.
var AnswerLink = regexp.MustCompile(`/a/[A-Za-z0-9_-]{20,}`)
