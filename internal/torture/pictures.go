package torture

import (
	"bytes"
	"compress/zlib"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// A fate is what must become of a picture.
type fate int

const (
	good     fate = iota // one shot with its reading
	again                // a copy of an earlier one: no shot of its own
	replaced             // one shot; the picture that had its name before, one or none
	deadly               // set aside, since it kills whoever measures it
	damaged              // set aside
	fates
)

func (f fate) String() string {
	return [...]string{"good", "copies", "replacing others", "deadly", "damaged"}[f]
}

// A picture is a file to be dropped into the inbox.
type picture struct {
	fate
	name  string
	data  []byte
	sum   string
	slow  bool    // written bit by bit under its own name
	first []byte  // of replaced: what has the name before
	pause float64 // before it comes, as a share of the mean
}

// names are such as people give to files.
var names = [...]string{"%04d.png", "lot 7 sample %d.png", "größe-%d.png", "試料-%d.png", "it's \"%d\".png", "sub/%d.png", "%%20-%d.PNG", "a+b&c=%d;$(x).png"}

// plan makes the pictures, some of each fate.
func (b *bench) plan(rng *rand.Rand) error {
	b.pictures = make([]*picture, b.o.Pictures)
	var draw errgroup.Group
	draw.SetLimit(runtime.GOMAXPROCS(0))
	for i := range b.pictures {
		p := &picture{name: fmt.Sprintf(names[i%len(names)], i), slow: rng.IntN(5) == 0, pause: rng.ExpFloat64()}
		b.pictures[i] = p
		switch k := rng.IntN(100); {
		case i < int(fates): // one of each at least, good ones first
			p.fate = fate(i)
		case k < 8:
			p.fate = again
		case k < 16:
			p.fate = replaced
		case k < 22:
			p.fate = deadly
		case k < 28:
			p.fate = damaged
		}
		if p.fate == deadly {
			p.data = bomb(i)
			continue
		}
		seed := rng.Uint64()
		draw.Go(func() (err error) {
			p.data, err = b.draw(seed)
			if p.fate == replaced && err == nil {
				p.first, err = b.draw(seed + 1)
			}
			return err
		})
	}
	if err := draw.Wait(); err != nil {
		return err
	}
	for i, p := range b.pictures {
		switch p.fate {
		case damaged:
			p.data = p.data[:len(p.data)*2/3]
		case again:
			p.data = b.earlier(i, rng).data
		}
		sum := sha256.Sum256(p.data)
		p.sum = hex.EncodeToString(sum[:])
	}
	return nil
}

// earlier returns a good picture before another; the first one is good.
func (b *bench) earlier(i int, rng *rand.Rand) *picture {
	for {
		if p := b.pictures[rng.IntN(i)]; p.fate == good {
			return p
		}
	}
}

// draw returns the file of a picture of a die.
func (b *bench) draw(seed uint64) ([]byte, error) {
	rng := rand.New(rand.NewPCG(seed, b.o.Seed))
	g, _, err := synth.Draw(synth.Random(b.part, b.scope, reading.DiePlan, rng), rng)
	if err != nil {
		return nil, err
	}
	img := image.NewGray(image.Rect(0, 0, g.W, g.H))
	for i, v := range g.Pix {
		img.SetGray(i%g.W, i/g.W, color.Gray{Y: uint8(v)})
	}
	var file bytes.Buffer
	enc := png.Encoder{CompressionLevel: png.BestSpeed}
	err = enc.Encode(&file, img)
	return file.Bytes(), err
}

// bomb returns a small file that needs more memory than a process has here: a PNG, 16 bits and four
// channels, as large as a picture may be.
func bomb(n int) []byte {
	b := bytes.NewBufferString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		body := append([]byte(kind), data...)
		binary.Write(b, binary.BigEndian, uint32(len(data)))
		b.Write(body)
		binary.Write(b, binary.BigEndian, crc32.ChecksumIEEE(body))
	}
	const side = 10_000
	head := binary.BigEndian.AppendUint32(nil, side)
	head = binary.BigEndian.AppendUint32(head, side)
	chunk("IHDR", append(head, 16, 6, 0, 0, 0))
	chunk("tEXt", fmt.Appendf(nil, "Title\x00number %d", n))
	var pixels bytes.Buffer
	z := zlib.NewWriter(&pixels)
	z.Write(make([]byte, side))
	z.Close()
	chunk("IDAT", pixels.Bytes())
	chunk("IEND", nil)
	return b.Bytes()
}

// dropAll lets the pictures arrive, over about the time that the kills take.
func (b *bench) dropAll(ctx context.Context) error {
	mean := b.o.MaxPause / 2 * time.Duration(b.o.Kills) / time.Duration(max(b.o.Pictures, 1))
	mean = min(mean*4/5, 3*time.Second) // the last kills come after the last picture
	for _, p := range b.pictures {
		if err := sleep(ctx, time.Duration(p.pause*float64(mean))); err != nil {
			return err
		}
		if p.first != nil {
			if err := b.drop(ctx, p.name, p.first, false); err != nil {
				return err
			}
			if err := sleep(ctx, time.Duration(p.pause*float64(time.Second))); err != nil {
				return err
			}
		}
		if err := b.drop(ctx, p.name, p.data, p.slow); err != nil {
			return err
		}
	}
	return nil
}

// drop puts a file into the inbox, at once or bit by bit.
func (b *bench) drop(ctx context.Context, name string, data []byte, slow bool) error {
	at := filepath.Join(b.inbox, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(at), 0o777); err != nil {
		return err
	}
	if !slow {
		beside := filepath.Join(b.o.Dir, "arriving")
		if err := os.WriteFile(beside, data, 0o666); err != nil {
			return err
		}
		return os.Rename(beside, at)
	}
	f, err := os.Create(at)
	if err != nil {
		return err
	}
	for len(data) > 0 && err == nil {
		n := min(len(data), 1+len(data)/3)
		if _, err = f.Write(data[:n]); err == nil {
			err = sleep(ctx, 20*time.Millisecond)
		}
		data = data[n:]
	}
	return errors.Join(err, f.Close())
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-t.C:
		return nil
	}
}
