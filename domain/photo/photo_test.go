package photo_test

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	stdgif "image/gif"
	stdjpeg "image/jpeg"
	stdpng "image/png"
	"strings"
	"testing"

	"github.com/bep/imagemeta"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/image/webp"

	"leveltrail/domain/photo"
)

// exif returns Exif of a photo turned by the given orientation, with a comment and
// the place 48° 12′ 30″ N 16° 22′ 12″ E (JEITA CP-3451, 4.6.6): one directory of three entries and one of GPS.
func exif(order binary.AppendByteOrder, turn uint16) []byte {
	u16, u32 := order.AppendUint16, order.AppendUint32
	b := []byte("MM\x00*")
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		b = []byte("II*\x00")
	}
	const ascii, short, long, rational = 2, 3, 4, 5
	entry := func(tag, kind uint16, count, value uint32) {
		b = u32(u32(u16(u16(b, tag), kind), count), value)
	}
	b = u32(b, 8)
	b = u16(b, 3)
	b = u16(u16(b, 0x0112), short)
	b = u16(u16(u32(b, 1), turn), 0)
	entry(0x010e, ascii, 12, 50) // a description, after the directory
	entry(0x8825, long, 1, 62)   // GPS
	b = append(u32(b, 0), "Invented 48\x00"...)
	b = u16(b, 4)
	north, east := []byte("N\x00\x00\x00"), []byte("E\x00\x00\x00")
	b = append(u32(u16(u16(b, 1), ascii), 2), north...)
	entry(2, rational, 3, 116)
	b = append(u32(u16(u16(b, 3), ascii), 2), east...)
	entry(4, rational, 3, 140)
	b = u32(b, 0)
	for _, v := range []uint32{48, 12, 30, 16, 22, 12} {
		b = u32(u32(b, v), 1)
	}
	return b
}

const xmp = `<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">` +
	`<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="48,12.5N" exif:GPSLongitude="16,22.2E"/></rdf:RDF></x:xmpmeta><?xpacket end="r"?>`

func picture() *image.NRGBA {
	m := image.NewNRGBA(image.Rect(0, 0, 24, 16))
	for y := range 16 {
		for x := range 24 {
			m.Set(x, y, color.NRGBA{uint8(x * 10), uint8(y * 15), uint8(x * y), 255})
		}
	}
	return m
}

// aJPEG is a photo with Exif, XMP, IPTC, a comment, and another photo after its end.
func aJPEG(t testing.TB, exif []byte) []byte {
	var plain bytes.Buffer
	if err := stdjpeg.Encode(&plain, picture(), nil); err != nil {
		t.Fatal(err)
	}
	segment := func(marker byte, payload string) []byte {
		return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(payload)+2)), payload...)
	}
	out := []byte{0xff, 0xd8}
	out = append(out, segment(0xe0, "JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00")...)
	out = append(out, segment(0xe1, "Exif\x00\x00"+string(exif))...)
	out = append(out, segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00"+xmp)...)
	out = append(out, segment(0xe2, "ICC_PROFILE\x00\x01\x01invented")...)
	out = append(out, segment(0xed, "Photoshop 3.0\x008BIM\x04\x04\x00\x00\x00\x00\x00\x0d\x1c\x02\x5a\x00\x08Nowhere4\x00")...)
	out = append(out, segment(0xfe, "taken at 48.2083 N")...)
	out = append(out, plain.Bytes()[2:]...)
	return append(out, plain.Bytes()...)
}

func pngChunk(name, payload string) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(payload)))
	b = append(b, name+payload...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE([]byte(name+payload)))
}

func aPNG(t testing.TB, exif []byte) []byte {
	var plain bytes.Buffer
	if err := stdpng.Encode(&plain, picture()); err != nil {
		t.Fatal(err)
	}
	const head = 8 + 25 // the signature and IHDR
	out := bytes.Clone(plain.Bytes()[:head])
	out = append(out, pngChunk("gAMA", "\x00\x00\xb1\x8f")...)
	out = append(out, pngChunk("eXIf", string(exif))...)
	out = append(out, pngChunk("tEXt", "Comment\x00taken at 48.2083 N")...)
	out = append(out, pngChunk("iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00\x00"+xmp)...)
	return append(append(out, plain.Bytes()[head:]...), "48.2083 N"...)
}

func riff(name, payload string) string {
	b := string(binary.LittleEndian.AppendUint32([]byte(name), uint32(len(payload)))) + payload
	if len(payload)%2 == 1 {
		b += "\x00"
	}
	return b
}

// aWebP is one pixel with Exif and XMP (RFC 9649, 2.7).
func aWebP(t testing.TB, exif []byte) []byte {
	// Its last byte is padding, which becomes part of the picture's chunk: the library that reads tags back expects even lengths.
	plain, err := base64.StdEncoding.DecodeString("UklGRhoAAABXRUJQVlA4TA0AAAAvAAAAEAcQERGIiP4HAA==")
	if err != nil {
		t.Fatal(err)
	}
	body := riff("VP8X", "\x1c\x00\x00\x00\x00\x00\x00\x00\x00\x00") + riff("VP8L", string(plain[20:])) + riff("EXIF", string(exif)) + riff("XMP ", xmp) + riff("note", "48.2083 N")
	return []byte(riff("RIFF", "WEBP"+body))
}

func aGIF(t testing.TB) []byte {
	var plain bytes.Buffer
	frame := image.NewPaletted(image.Rect(0, 0, 4, 4), color.Palette{color.Black, color.White})
	if err := stdgif.EncodeAll(&plain, &stdgif.GIF{Image: []*image.Paletted{frame, frame}, Delay: []int{5, 5}}); err != nil {
		t.Fatal(err)
	}
	b := plain.Bytes()
	end := len(b) - 1
	out := append(bytes.Clone(b[:end]), "\x21\xfe\x0948.2083 N\x00\x21\xff\x0bXMP DataXMP\x0948.2083 N\x00;48.2083 N"...)
	return out
}

// tags reads what a library that is not ours finds in an image.
func tags(t testing.TB, format imagemeta.ImageFormat, data []byte) imagemeta.Tags {
	t.Helper()
	var found imagemeta.Tags
	_, err := imagemeta.Decode(imagemeta.Options{
		R: bytes.NewReader(data), ImageFormat: format, Sources: imagemeta.EXIF | imagemeta.XMP | imagemeta.IPTC,
		HandleTag: func(i imagemeta.TagInfo) error { found.Add(i); return nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func TestWithoutLocation(t *testing.T) {
	t.Parallel()
	little, big := binary.AppendByteOrder(binary.LittleEndian), binary.AppendByteOrder(binary.BigEndian)
	tests := []struct {
		name, mediaType string
		data            []byte
		format          imagemeta.ImageFormat
		decode          func([]byte) (image.Image, error)
		turn            uint16
	}{
		{"JPEG, turned", "image/jpeg", aJPEG(t, exif(little, 6)), imagemeta.JPEG, func(b []byte) (image.Image, error) { return stdjpeg.Decode(bytes.NewReader(b)) }, 6},
		{"JPEG, upright", "image/jpeg", aJPEG(t, exif(big, 1)), imagemeta.JPEG, func(b []byte) (image.Image, error) { return stdjpeg.Decode(bytes.NewReader(b)) }, 0},
		{"PNG", "image/png", aPNG(t, exif(big, 8)), imagemeta.PNG, func(b []byte) (image.Image, error) { return stdpng.Decode(bytes.NewReader(b)) }, 8},
		{"WebP", "image/webp", aWebP(t, exif(little, 3)), imagemeta.WebP, func(b []byte) (image.Image, error) { return webp.Decode(bytes.NewReader(b)) }, 3},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			before := tags(t, tt.format, tt.data)
			if lat, long, err := before.GetLatLong(); err != nil || lat < 48.2 || lat > 48.21 || long < 16.36 || long > 16.38 {
				t.Fatalf("the image of the test says %v, %v (%v); want 48.208, 16.37", lat, long, err)
			}
			got, err := photo.WithoutLocation(tt.mediaType, tt.data)
			if err != nil {
				t.Fatal(err)
			}
			left := map[string]any{}
			for name, tag := range tags(t, tt.format, got).All() {
				left[name] = tag.Value
			}
			want := map[string]any{}
			if tt.turn > 0 {
				want["Orientation"] = tt.turn
			}
			if diff := cmp.Diff(want, left); diff != "" {
				t.Errorf("left in the image (-want +got):\n%s", diff)
			}
			for _, word := range []string{"48", "GPS", "Nowhere", "Invented", "xpacket"} {
				if strings.Contains(string(got), word) && word != "48" || strings.Contains(string(got), "48.2083") {
					t.Errorf("%q is left in the image", word)
				}
			}
			pictureBefore, err := tt.decode(tt.data)
			if err != nil {
				t.Fatal(err)
			}
			pictureAfter, err := tt.decode(got)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(pictureBefore, pictureAfter); diff != "" {
				t.Errorf("the picture changed (-before +after):\n%.500s", diff)
			}
			if twice, err := photo.WithoutLocation(tt.mediaType, got); err != nil || !bytes.Equal(twice, got) {
				t.Errorf("a second time it differs (%v)", err)
			}
		})
	}
	if got, err := photo.WithoutLocation("image/jpeg", aJPEG(t, exif(big, 6))); err != nil || !bytes.Contains(got, []byte("ICC_PROFILE\x00\x01\x01invented")) {
		t.Errorf("the colour profile of a JPEG is lost (%v)", err)
	}
	if got, err := photo.WithoutLocation("image/png", aPNG(t, exif(big, 6))); err != nil || !bytes.Contains(got, []byte("gAMA")) {
		t.Errorf("the gamma of a PNG is lost (%v)", err)
	}
}

func TestWithoutLocationOfGIF(t *testing.T) {
	t.Parallel()
	data := aGIF(t)
	got, err := photo.WithoutLocation("image/gif", data)
	if err != nil || bytes.Contains(got, []byte("48.2083")) || !bytes.Contains(data, []byte("48.2083")) {
		t.Fatalf("GIF without comment = %q, %v", got, err)
	}
	before, err := stdgif.DecodeAll(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	after, err := stdgif.DecodeAll(bytes.NewReader(got))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("the pictures changed (-before +after):\n%.500s", diff)
	}
}

func TestWithoutLocationRefuses(t *testing.T) {
	t.Parallel()
	for _, mediaType := range []string{"image/heic", "image/tiff", "application/pdf", ""} {
		if got, err := photo.WithoutLocation(mediaType, aJPEG(t, nil)); !errors.Is(err, photo.ErrUnknown) || got != nil {
			t.Errorf("%q: %d bytes, %v; want ErrUnknown", mediaType, len(got), err)
		}
	}
	e := exif(binary.LittleEndian, 6)
	for mediaType, data := range map[string][]byte{"image/jpeg": aJPEG(t, e), "image/png": aPNG(t, e), "image/webp": aWebP(t, e), "image/gif": aGIF(t)} {
		whole, err := photo.WithoutLocation(mediaType, data)
		if err != nil {
			t.Fatal(err)
		}
		for n := range len(data) { // cut short anywhere: refused, or all of the picture was there
			if got, err := photo.WithoutLocation(mediaType, data[:n]); err == nil && !bytes.Equal(got, whole) || err != nil && !errors.Is(err, photo.ErrBroken) {
				t.Fatalf("%s cut at %d = %d bytes, %v; want ErrBroken", mediaType, n, len(got), err)
			}
		}
	}
}

func FuzzWithoutLocation(f *testing.F) {
	e := exif(binary.LittleEndian, 6)
	f.Add("image/jpeg", aJPEG(f, e))
	f.Add("image/png", aPNG(f, e))
	f.Add("image/webp", aWebP(f, e))
	f.Add("image/gif", aGIF(f))
	f.Fuzz(func(t *testing.T, mediaType string, data []byte) {
		got, err := photo.WithoutLocation(mediaType, data)
		if err != nil {
			return
		}
		if twice, err := photo.WithoutLocation(mediaType, got); err != nil || !bytes.Equal(twice, got) {
			t.Errorf("a second time it differs: %q, then %q (%v)", got, twice, err)
		}
	})
}
