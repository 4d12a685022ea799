package access

import (
	"context"
	"crypto/subtle"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// OIDC is a sign-in service of the operator's own (OpenID Connect, authorization code
// with PKCE). Who signs in there must be a member here: it makes nobody.
type OIDC struct {
	Issuer, ClientID, ClientSecret string
	Redirect                       string // address of ours that the service sends people back to

	mu       sync.Mutex
	provider *oidc.Provider
}

// patience is how long the service may take to answer.
const patience = 15 * time.Second

func (o *OIDC) config(ctx context.Context) (*oauth2.Config, *oidc.Provider, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.provider == nil {
		p, err := oidc.NewProvider(ctx, o.Issuer)
		if err != nil {
			return nil, nil, &fault.Error{Kind: fault.Unavailable, Msg: "the sign-in service does not answer",
				Hint: "Sign in with your password, or try again in a while.", Err: err}
		}
		o.provider = p
	}
	return &oauth2.Config{ClientID: o.ClientID, ClientSecret: o.ClientSecret, Endpoint: o.provider.Endpoint(),
		RedirectURL: o.Redirect, Scopes: []string{oidc.ScopeOpenID, "email"}}, o.provider, nil
}

func patient(ctx context.Context) context.Context {
	return oidc.ClientContext(context.WithoutCancel(ctx), &http.Client{Timeout: patience})
}

// Begin returns where a browser goes to sign in, and what it keeps until it is back.
func (o *OIDC) Begin(ctx context.Context) (to, keep string, err error) {
	c, _, err := o.config(patient(ctx))
	if err != nil {
		return "", "", err
	}
	state, _ := token()
	nonce, _ := token()
	verifier := oauth2.GenerateVerifier()
	return c.AuthCodeURL(state, oidc.Nonce(nonce), oauth2.S256ChallengeOption(verifier)),
		strings.Join([]string{state, nonce, verifier}, "."), nil
}

var errOIDC = fault.New(fault.Denied, "the sign-in service did not vouch for you",
	"Try again from the page for signing in.")

// finish checks what the service sent back and returns the verified address.
func (o *OIDC) finish(ctx context.Context, keep string, q url.Values) (email string, err error) {
	f := strings.Split(keep, ".")
	if len(f) != 3 || q.Get("code") == "" || subtle.ConstantTimeCompare([]byte(f[0]), []byte(q.Get("state"))) != 1 {
		return "", errOIDC
	}
	ctx = patient(ctx)
	c, p, err := o.config(ctx)
	if err != nil {
		return "", err
	}
	t, err := c.Exchange(ctx, q.Get("code"), oauth2.VerifierOption(f[2]))
	if err != nil {
		return "", &fault.Error{Kind: fault.Denied, Msg: fault.SentenceOf(errOIDC), Hint: fault.HintOf(errOIDC), Err: err}
	}
	raw, _ := t.Extra("id_token").(string)
	id, err := p.Verifier(&oidc.Config{ClientID: o.ClientID}).Verify(ctx, raw)
	if err != nil || subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(f[1])) != 1 {
		return "", errOIDC
	}
	var claims struct {
		Email    string `json:"email"`
		Verified bool   `json:"email_verified"`
	}
	if err := id.Claims(&claims); err != nil || !claims.Verified || claims.Email == "" {
		return "", fault.New(fault.Denied, "the sign-in service does not vouch for your e-mail address",
			"Confirm the address there, or sign in with your password.")
	}
	return strings.ToLower(claims.Email), nil
}

// EnterOIDC signs in who the sign-in service vouches for and returns the session's
// secret.
func (a *Access) EnterOIDC(ctx context.Context, keep string, q url.Values, agent string) (secret string, err error) {
	email, err := a.OIDC.finish(ctx, keep, q)
	if err != nil {
		return "", err
	}
	return secret, a.DB.Update(ctx, func(tx *store.Tx) error {
		m, err := tx.MemberByEmail(ctx, email)
		if fault.KindOf(err) == fault.NotFound {
			return fault.New(fault.Denied, email+" is no member here", "Ask a manager for an invitation.")
		}
		if err != nil {
			return err
		}
		var hash string
		secret, hash = token()
		return tx.AddSession(ctx, store.Session{Hash: hash, Account: m.Account, Email: m.Email, Agent: clip(agent, 200),
			UntilAt: tx.Now().Add(sessionFor).UnixMicro()})
	})
}
