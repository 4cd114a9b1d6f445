package picture

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"

	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"
)

// Limits bounds what Decode accepts. The zero value gives the defaults.
type Limits struct {
	MaxPixels int // width × height; 0 means 100 million
}

const defaultMaxPixels = 100_000_000

// A format is one kind of picture file, known by how the bytes begin and never by a name.
type format struct {
	name   string
	magic  []string
	header func(io.Reader) (image.Config, error)
	pixels func(io.Reader) (image.Image, error)
}

var formats = [...]format{
	{"PNG", []string{"\x89PNG\r\n\x1a\n"}, png.DecodeConfig, png.Decode},
	{"TIFF", []string{"II*\x00", "MM\x00*"}, tiff.DecodeConfig, tiff.Decode},
	{"JPEG", []string{"\xff\xd8\xff"}, jpeg.DecodeConfig, jpeg.Decode},
	{"BMP", []string{"BM"}, bmp.DecodeConfig, bmp.Decode},
}

// Decode reads an 8- or 16-bit grey or colour PNG, TIFF (OME-TIFF; the first page), JPEG or BMP.
//
// Colour becomes grey as 0.299 R + 0.587 G + 0.114 B (ITU-R BT.601-7, section 2.5.1; a JPEG's own
// luminance is that already). Levels are taken as linear in light, transparency and any
// orientation tag are ignored. FullScale is 255 or 65535.
//
// The header is held against lim before any pixel is allocated. A file that ends early is an
// error, never part of a picture. Errors say what to do; they don't know the file's name.
func Decode(b []byte, lim Limits) (*Gray, error) {
	if lim.MaxPixels == 0 {
		lim.MaxPixels = defaultMaxPixels
	}
	f, err := formatOf(b)
	if err != nil {
		return nil, err
	}
	c, err := guard(func() (image.Config, error) { return f.header(bytes.NewReader(b)) })
	if err != nil {
		return nil, f.wrap(err)
	}
	switch {
	case c.Width < 1 || c.Height < 1:
		return nil, fmt.Errorf("%s picture of %d×%d pixels: take the picture again and save it anew", f.name, c.Width, c.Height)
	case c.Width > lim.MaxPixels/c.Height:
		return nil, fmt.Errorf("%s picture claims %d×%d pixels, more than the limit of %.4g megapixels: crop it, or check that the file is what the microscope wrote",
			f.name, c.Width, c.Height, float64(lim.MaxPixels)/1e6)
	}
	m, err := guard(func() (image.Image, error) { return f.pixels(bytes.NewReader(b)) })
	if err != nil {
		return nil, f.wrap(err)
	}
	g, err := grey(m)
	if err != nil {
		return nil, f.wrap(err)
	}
	if g.W != c.Width || g.H != c.Height {
		return nil, f.wrap(fmt.Errorf("the header says %d×%d pixels, the file holds %d×%d", c.Width, c.Height, g.W, g.H))
	}
	return g, nil
}

// formatOf tells what kind of picture the bytes are.
func formatOf(b []byte) (*format, error) {
	if len(b) == 0 {
		return nil, errors.New("the file is empty: wait until it is written completely, or copy it again")
	}
	for i, f := range formats {
		for _, m := range f.magic {
			if bytes.HasPrefix(b, []byte(m)) {
				return &formats[i], nil
			}
		}
	}
	const want = "save the picture as PNG, TIFF, JPEG or BMP with 8 or 16 bits a pixel"
	if bytes.HasPrefix(b, []byte("II+\x00")) || bytes.HasPrefix(b, []byte("MM\x00+")) {
		return nil, fmt.Errorf("BigTIFF can't be read: %s", want)
	}
	for _, f := range formats {
		for _, m := range f.magic {
			if bytes.HasPrefix([]byte(m), b) {
				return nil, f.wrap(io.ErrUnexpectedEOF)
			}
		}
	}
	return nil, fmt.Errorf("not a picture, it begins with %q: %s", b[:min(len(b), 16)], want)
}

// wrap says what a decoder's error means for whoever has the file.
func (f *format) wrap(err error) error {
	var (
		pngKind  png.UnsupportedError
		jpegKind jpeg.UnsupportedError
		tiffKind tiff.UnsupportedError
	)
	switch {
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("the %s file ends too early: wait until it is written completely, or copy it again", f.name)
	case errors.As(err, &pngKind), errors.As(err, &jpegKind), errors.As(err, &tiffKind),
		errors.Is(err, bmp.ErrUnsupported), errors.Is(err, errColour):
		return fmt.Errorf("this kind of %s can't be read: save the picture as 8 or 16 bit grey or RGB (%w)", f.name, err)
	}
	return fmt.Errorf("the %s file is damaged: copy it again from the microscope (%w)", f.name, err)
}

// guard turns a panic of a decoder, which is other people's code fed with unknown bytes, into an
// error: one bad file must not end a run over thousands.
func guard[T any](decode func() (T, error)) (v T, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the decoder gave up: %v", p)
		}
	}()
	return decode()
}
