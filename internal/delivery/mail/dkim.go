package mail

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"fmt"

	"github.com/emersion/go-msgauth/dkim"
)

// Key signs messages by DKIM (RFC 6376; Ed25519 by RFC 8463).
type Key struct {
	Domain   string
	Selector string
	signer   crypto.Signer
}

// signed are the header fields that a signature covers. List-Unsubscribe and
// List-Unsubscribe-Post have to be (RFC 8058, section 4).
var signed = []string{"From", "Reply-To", "Subject", "Date", "To", "Message-ID", "MIME-Version", "Content-Type",
	"Auto-Submitted", "List-Unsubscribe", "List-Unsubscribe-Post"}

// leastBits is the shortest RSA key that is taken (RFC 8301).
const leastBits = 1024

// ParseKey reads a private key in PEM: PKCS #8, or PKCS #1 for RSA.
func ParseKey(domain, selector string, text []byte) (Key, error) {
	k := Key{Domain: domain, Selector: selector}
	block, _ := pem.Decode(text)
	if block == nil {
		return k, fmt.Errorf("is not a private key in PEM")
	}
	any, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		any, err = x509.ParsePKCS1PrivateKey(block.Bytes)
	}
	if err != nil {
		return k, fmt.Errorf("is not an RSA or Ed25519 private key")
	}
	switch s := any.(type) {
	case *rsa.PrivateKey:
		if s.N.BitLen() < leastBits {
			return k, fmt.Errorf("is an RSA key of %d bits; at least %d are needed", s.N.BitLen(), leastBits)
		}
		k.signer = s
	case ed25519.PrivateKey:
		k.signer = s
	default:
		return k, fmt.Errorf("is not an RSA or Ed25519 private key")
	}
	return k, nil
}

// Record returns the name and the text of the DNS record that publishes the key.
func (k Key) Record() (name, text string) {
	kind, public := "rsa", []byte(nil)
	switch p := k.signer.Public().(type) {
	case ed25519.PublicKey:
		kind, public = "ed25519", p
	case *rsa.PublicKey:
		public, _ = x509.MarshalPKIXPublicKey(p) // an RSA key always marshals
	}
	return k.Selector + "._domainkey." + k.Domain,
		"v=DKIM1; k=" + kind + "; p=" + base64.StdEncoding.EncodeToString(public)
}

// sign puts a signature over a message before it. The fields are signed once more
// than they occur where another one would change what people see.
func (k Key) sign(msg []byte) ([]byte, error) {
	keys := append([]string{"From", "Subject"}, signed...)
	var out bytes.Buffer
	err := dkim.Sign(&out, bytes.NewReader(msg), &dkim.SignOptions{Domain: k.Domain, Selector: k.Selector,
		Signer: k.signer, Hash: crypto.SHA256,
		HeaderCanonicalization: dkim.CanonicalizationRelaxed, BodyCanonicalization: dkim.CanonicalizationRelaxed,
		HeaderKeys: keys})
	return out.Bytes(), err
}
