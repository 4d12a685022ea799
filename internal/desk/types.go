package desk

import (
	"sealmanac/internal/cycle"
	"sealmanac/internal/store"
)

// What pages are handed is named here, so that they need not know the store.
type (
	// BoardFilter chooses coaches on the board.
	BoardFilter = store.BoardFilter
	// BoardRow is a coach on the board.
	BoardRow = store.BoardRow
	// NoticeRow is a notice as stored.
	NoticeRow = store.NoticeRow
	// LotPart is a part that carries a lot.
	LotPart = store.LotPart
	// SuppressedRow is a notice that was kept back, and why.
	SuppressedRow = store.SuppressedRow
	// KeptAnswer is what a post with an Idempotency-Key was answered.
	KeptAnswer = store.KeptAnswer
	// Request is something an account's people wait for.
	Request = store.Request
)

// NoDay stands for "no next task".
const NoDay = store.NoDay

// The states of a coach, the gravest first.
const (
	OnHold  = cycle.OnHold
	Overdue = cycle.Overdue
	Due     = cycle.Due
	Booked  = cycle.Booked
	Fine    = cycle.Fine
	Undated = cycle.Undated
)

// States lists them.
var States = cycle.States
