package access

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"

	zxcvbn "github.com/ccojocar/zxcvbn-go"
	"golang.org/x/crypto/argon2"

	"sealmanac/internal/fault"
)

// The cost of a password's hash: the second recommended choice of RFC 9106, section
// 4 (64 MiB, 3 passes, 4 lanes).
const (
	passes  = 3
	lanes   = 4
	keySize = 32
)

var memory uint32 = 64 << 10 // KiB; tests need less

// Bounds of a password, in characters.
const (
	leastPassword = 12
	mostPassword  = 200
)

// hashing lets few hashes run at a time: each takes 64 MiB.
var hashing = make(chan struct{}, 4)

// judged is how much of a password is looked at for being easy: the work grows faster
// than its length.
const judged = 64

// easy reports whether a password is among the first a guesser tries: a common one, a
// row of the keyboard, a repetition, or made of the person's own words.
func easy(password string, own []string) bool {
	p := []rune(password)
	words := []string{"sealmanac"}
	for _, w := range own {
		words = append(words, strings.Fields(strings.ToLower(w))...)
	}
	return zxcvbn.PasswordStrength(string(p[:min(len(p), judged)]), words).Score < 2
}

// hashPassword returns the encoded argon2id hash of a password. own are words that
// everybody knows of the person.
func hashPassword(password string, own ...string) (string, error) {
	if n := len([]rune(password)); n < leastPassword || n > mostPassword {
		return "", fault.New(fault.Invalid, fmt.Sprintf("the password has %d characters", n),
			fmt.Sprintf("Use %d to %d characters; four or five words of your own are easy to keep in mind.", leastPassword,
				mostPassword))
	}
	if easy(password, own) {
		return "", fault.New(fault.Invalid, "this password is among the first that a guesser tries",
			"Use four or five words of your own that do not belong together.")
	}
	salt := make([]byte, 16)
	_, _ = rand.Read(salt) // never fails
	hashing <- struct{}{}
	defer func() { <-hashing }()
	key := argon2.IDKey([]byte(password), salt, passes, memory, lanes, keySize)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, lanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key)), nil
}

// nobody is the hash that stands in for members who do not exist.
var nobody = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, lanes,
	strings.Repeat("A", 22), strings.Repeat("A", 43))

// fits reports whether a password belongs to an encoded hash, in a time that does
// not tell why not.
func fits(password, encoded string) bool {
	f := strings.Split(encoded, "$")
	if len(f) != 6 || f[1] != "argon2id" || len(password) > 4*mostPassword {
		return false
	}
	var m, t uint32
	var p uint8
	if _, err := fmt.Sscanf(f[3], "m=%d,t=%d,p=%d", &m, &t, &p); err != nil {
		return false
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(f[4])
	want, err2 := base64.RawStdEncoding.DecodeString(f[5])
	if err1 != nil || err2 != nil || len(want) == 0 {
		return false
	}
	hashing <- struct{}{}
	defer func() { <-hashing }()
	return subtle.ConstantTimeCompare(argon2.IDKey([]byte(password), salt, t, m, p, uint32(len(want))), want) == 1
}
