package desk

import (
	"bytes"
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/jpeg"
	"strings"
	"testing"

	"sealmanac/internal/fault"
	"sealmanac/internal/testkit"
)

// head is the beginning of a PNG that says how large the picture is.
func head(width, height uint32, depth, kind byte) []byte {
	b := []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR")
	b = binary.BigEndian.AppendUint32(b, width)
	b = binary.BigEndian.AppendUint32(b, height)
	b = append(b, depth, kind, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[12:]))
	return append(b, "\x00\x00\x00\x00IDAT\x35\xaf\x06\x1e"...)
}

// A picture is refused by what it takes in memory, before it is read: a small file can
// hold a large one.
func TestPicturesAreBounded(t *testing.T) {
	const gray, rgb, rgba = 0, 2, 6
	for _, c := range []struct {
		name          string
		width, height uint32
		depth, kind   byte
		want          string // a piece of the refusal
	}{
		{"one pixel too many", 6001, 4000, 8, rgb, "6001 x 4000 pixels"},
		{"large as they come", 6000, 4000, 8, rgb, "cannot be read"}, // it has no pixels
		{"16 bits", 4097, 4096, 16, rgba, "16 bits"},
		{"16 bits, small enough", 4096, 4096, 16, rgba, "cannot be read"},
		{"16 bits of gray", 6000, 4000, 16, gray, "cannot be read"},
		{"wide", 1<<31 - 1, 1, 1, gray, "pixels"},
	} {
		t.Run(c.name, func(t *testing.T) {
			most := uint64(1 << 20)
			if strings.Contains(c.want, "read") {
				most = 200 << 20
			}
			testkit.Bound(t, most, func() {
				_, _, err := shrink(t.Context(), head(c.width, c.height, c.depth, c.kind))
				if fault.KindOf(err) != fault.Invalid || !strings.Contains(err.Error(), c.want) {
					t.Errorf("%v", err)
				}
			})
		})
	}
}

// One picture is worked on at a time, and who hangs up no longer waits.
func TestPicturesWaitTheirTurn(t *testing.T) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 20, 10)), nil); err != nil {
		t.Fatal(err)
	}
	shrinking <- struct{}{}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() {
		_, _, err := shrink(ctx, b.Bytes())
		done <- err
	}()
	select {
	case err := <-done:
		t.Fatalf("it did not wait: %v", err)
	default:
	}
	cancel()
	if err := <-done; fault.KindOf(err) != fault.Unavailable {
		t.Errorf("who hung up: %v", err)
	}
	<-shrinking
	if body, thumb, err := shrink(t.Context(), b.Bytes()); err != nil || len(body) == 0 || len(thumb) == 0 {
		t.Errorf("alone: %v", err)
	}
}
