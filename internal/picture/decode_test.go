package picture_test

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"plumbsquare/internal/picture"

	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"
)

// bytesOf encodes m, which decides on grey or colour, 8 or 16 bit.
func bytesOf(t testing.TB, kind string, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	var err error
	switch kind {
	case "png":
		err = png.Encode(&b, m)
	case "tiff":
		err = tiff.Encode(&b, m, nil)
	case "tiff-deflate":
		err = tiff.Encode(&b, m, &tiff.Options{Compression: tiff.Deflate, Predictor: true})
	case "jpeg":
		err = jpeg.Encode(&b, m, &jpeg.Options{Quality: 98})
	case "bmp":
		err = bmp.Encode(&b, m)
	default:
		t.Fatalf("no such kind %q", kind)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A picture whose levels differ in x and y and is not square, so that nothing can be swapped.
const testW, testH = 37, 23

func grey8() *image.Gray {
	m := image.NewGray(image.Rect(0, 0, testW, testH))
	for i := range m.Pix {
		m.Pix[i] = uint8(3*(i%testW) + 5*(i/testW))
	}
	return m
}

func grey16() *image.Gray16 {
	m := image.NewGray16(image.Rect(0, 0, testW, testH))
	for y := range testH {
		for x := range testW {
			m.SetGray16(x, y, color.Gray16{Y: uint16(1111*x + 777*y)})
		}
	}
	return m
}

func rgb8() *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, testW, testH))
	for y := range testH {
		for x := range testW {
			m.SetRGBA(x, y, color.RGBA{R: uint8(6 * x), G: uint8(11 * y), B: uint8(200 - 2*x - 3*y), A: 255})
		}
	}
	return m
}

func rgb16() *image.NRGBA64 {
	m := image.NewNRGBA64(image.Rect(0, 0, testW, testH))
	for y := range testH {
		for x := range testW {
			m.SetNRGBA64(x, y, color.NRGBA64{R: uint16(1700 * x), G: uint16(2800 * y), B: uint16(60000 - 900*x), A: 65535})
		}
	}
	return m
}

func paletted() *image.Paletted {
	m := image.NewPaletted(image.Rect(0, 0, testW, testH), color.Palette{
		color.RGBA{0, 0, 0, 255}, color.RGBA{255, 0, 0, 255}, color.RGBA{0, 255, 0, 255}, color.RGBA{0, 0, 255, 255}, color.RGBA{200, 200, 200, 255},
	})
	for i := range m.Pix {
		m.Pix[i] = uint8((i*i + i/testW) % 5)
	}
	return m
}

func TestDecodeGivesTheLevels(t *testing.T) {
	// Y = 0.299 R + 0.587 G + 0.114 B: ITU-R BT.601-7, section 2.5.1.
	wantAt := func(m image.Image, x, y int) float64 {
		switch c := m.At(x, y).(type) {
		case color.Gray:
			return float64(c.Y)
		case color.Gray16:
			return float64(c.Y)
		case color.NRGBA64:
			return 0.299*float64(c.R) + 0.587*float64(c.G) + 0.114*float64(c.B)
		case color.RGBA:
			return 0.299*float64(c.R) + 0.587*float64(c.G) + 0.114*float64(c.B)
		}
		return math.NaN()
	}
	tests := []struct {
		name, kind string
		m          image.Image
		full       int
		tolerance  float64 // grey levels
	}{
		{"grey 8", "png", grey8(), 255, 0},
		{"grey 8", "tiff", grey8(), 255, 0},
		{"grey 8", "tiff-deflate", grey8(), 255, 0},
		{"grey 8", "bmp", grey8(), 255, 0},
		{"grey 8", "jpeg", grey8(), 255, 3},
		{"grey 16", "png", grey16(), 65535, 0},
		{"grey 16", "tiff", grey16(), 65535, 0},
		{"grey 16", "tiff-deflate", grey16(), 65535, 0},
		{"colour 8", "png", rgb8(), 255, 0.51},
		{"colour 8", "tiff", rgb8(), 255, 0.51},
		{"colour 8", "bmp", rgb8(), 255, 0.51},
		{"colour 8", "jpeg", rgb8(), 255, 3},
		{"colour 16", "png", rgb16(), 65535, 0.8},
		{"colour 16", "tiff", rgb16(), 65535, 0.8},
		{"palette", "png", paletted(), 255, 0.51},
		{"palette", "tiff", paletted(), 255, 0.51},
		{"palette", "bmp", paletted(), 255, 0.51},
	}
	for _, tt := range tests {
		t.Run(tt.name+" "+tt.kind, func(t *testing.T) {
			g, err := picture.Decode(bytesOf(t, tt.kind, tt.m), picture.Limits{})
			if err != nil {
				t.Fatal(err)
			}
			if g.W != testW || g.H != testH || g.FullScale != tt.full || len(g.Pix) != testW*testH {
				t.Fatalf("got %d×%d of %d, want %d×%d of %d", g.W, g.H, g.FullScale, testW, testH, tt.full)
			}
			for y := range g.H {
				for x := range g.W {
					if want := wantAt(tt.m, x, y); !(math.Abs(g.At(x, y)-want) <= tt.tolerance) {
						t.Fatalf("pixel (%d, %d) is %v, want %v", x, y, g.At(x, y), want)
					}
				}
			}
		})
	}
}

var kinds = []string{"png", "tiff", "tiff-deflate", "jpeg", "bmp"}

// Whatever is cut off of the pixels, the rest is an error and never half a picture.
func TestDecodeTruncated(t *testing.T) {
	for _, kind := range kinds {
		t.Run(kind, func(t *testing.T) {
			b := bytesOf(t, kind, grey8())
			whole, err := picture.Decode(b, picture.Limits{})
			if err != nil {
				t.Fatal(err)
			}
			for n := range len(b) {
				g, err := picture.Decode(b[:n], picture.Limits{})
				if err == nil && n > len(b)-32 && slices.Equal(g.Pix, whole.Pix) {
					continue // a TIFF may end in particulars that no pixel needs
				}
				if err == nil || g != nil {
					t.Fatalf("%d of %d bytes: got a picture, want an error", n, len(b))
				}
			}
		})
	}
}

// header returns the first bytes of a PNG, BMP or TIFF that claims to be w × h.
func header(kind string, w, h uint32) []byte {
	le := binary.LittleEndian
	switch kind {
	case "png":
		ihdr := append([]byte("IHDR"), binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)...)
		ihdr = append(ihdr, 8, 0, 0, 0, 0)
		b := append([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d"), ihdr...)
		return append(binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(ihdr)), make([]byte, 40)...)
	case "bmp":
		b := append([]byte("BM"), make([]byte, 12)...)
		le.PutUint32(b[10:], 54)
		b = le.AppendUint32(le.AppendUint32(le.AppendUint32(b, 40), w), h)
		b = append(b, 1, 0, 24, 0)
		return append(b, make([]byte, 24)...)
	case "tiff":
		b := []byte("II*\x00\x08\x00\x00\x00\x04\x00")
		for _, e := range [][2]uint32{{256, w}, {257, h}, {258, 8}, {262, 1}} {
			b = le.AppendUint16(b, uint16(e[0]))
			b = le.AppendUint32(le.AppendUint32(append(b, 4, 0), 1), e[1])
		}
		return append(b, make([]byte, 8)...)
	}
	return nil
}

func TestDecodeRefuses(t *testing.T) {
	tests := []struct {
		name string
		b    []byte
		want string // part of the message
	}{
		{"empty file", nil, "empty"},
		{"text", []byte("dear colleague, the pictures are in the other folder"), `begins with "dear colleague, "`},
		{"one letter", []byte("x"), `begins with "x"`},
		{"first bytes of a PNG", []byte("\x89PNG"), "ends too early"},
		{"huge PNG", header("png", 60000, 60000), "60000×60000"},
		{"huge BMP", header("bmp", 60000, 60000), "60000×60000"},
		{"huge TIFF", header("tiff", 60000, 60000), "60000×60000"},
		{"just over", header("png", 10001, 10000), "100 megapixels"},
		{"overflowing", header("png", 1<<31-1, 1<<31-1), "PNG"},
		{"no rows PNG", header("png", 300, 0), "PNG"},
		{"no rows BMP", header("bmp", 300, 0), "BMP"},
		{"no columns TIFF", header("tiff", 0, 300), "TIFF"},
		{"BigTIFF", []byte("II+\x00\x08\x00\x00\x00"), "BigTIFF"},
		{"GIF", []byte("GIF89a\x01\x00\x01\x00"), "not a picture"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			g, err := picture.Decode(tt.b, picture.Limits{})
			if err == nil || g != nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want an error that says %q", err, tt.want)
			}
		})
	}
}

func TestDecodeDamaged(t *testing.T) {
	b := bytesOf(t, "png", grey16())
	b[len(b)/2] ^= 0x40
	if g, err := picture.Decode(b, picture.Limits{}); err == nil || g != nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("got %v, want an error that says it is damaged", err)
	}
}

func TestDecodeLimit(t *testing.T) {
	b := bytesOf(t, "png", grey8())
	if _, err := picture.Decode(b, picture.Limits{MaxPixels: testW * testH}); err != nil {
		t.Errorf("exactly at the limit: %v", err)
	}
	if _, err := picture.Decode(b, picture.Limits{MaxPixels: testW*testH - 1}); err == nil {
		t.Error("one pixel over the limit: no error")
	}
}

// FuzzDecode: no bytes may crash the front door, hang it or come out as a picture of another
// size than its pixels.
func FuzzDecode(f *testing.F) {
	for _, kind := range kinds {
		b := bytesOf(f, kind, grey8())
		f.Add(b)
		f.Add(b[:len(b)/2])
	}
	f.Add(bytesOf(f, "png", rgb16()))
	f.Add(bytesOf(f, "png", paletted()))
	f.Add(bytesOf(f, "tiff", rgb8()))
	f.Add(header("png", 60000, 60000))
	f.Fuzz(func(t *testing.T, b []byte) {
		const limit = 1 << 16
		g, err := picture.Decode(b, picture.Limits{MaxPixels: limit})
		switch {
		case err != nil && g != nil:
			t.Fatal("both a picture and an error")
		case err != nil && err.Error() == "":
			t.Fatal("an error that says nothing")
		case err == nil && (g.W < 1 || g.H < 1 || g.W*g.H > limit || len(g.Pix) != g.W*g.H || g.FullScale != 255 && g.FullScale != 65535):
			t.Fatalf("a picture of %d×%d with %d pixels of %d", g.W, g.H, len(g.Pix), g.FullScale)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	m8, m16 := image.NewGray(image.Rect(0, 0, 2048, 2048)), image.NewGray16(image.Rect(0, 0, 2048, 2048))
	for i := range m8.Pix { // a slope with a little noise, as pictures have
		v := 60 + (i%2048)/20 + rng.IntN(6)
		m8.Pix[i] = uint8(v)
		m16.Pix[2*i], m16.Pix[2*i+1] = uint8(v), uint8(rng.IntN(16)<<4)
	}
	for name, file := range map[string][]byte{
		"8bitPNG": bytesOf(b, "png", m8), "16bitPNG": bytesOf(b, "png", m16), "8bitTIFF": bytesOf(b, "tiff", m8),
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := picture.Decode(file, picture.Limits{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
