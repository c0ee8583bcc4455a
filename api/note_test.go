package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"image"
	"image/color"
	stdjpeg "image/jpeg"
	"mime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/persistence/pgtest"
)

var (
	aNote    = object{"at": "2026-03-03T07:10:00+01:00", "text": "A lorry stood with its engine running.", "author": "A. Nobody"}
	aCaption = object{"at": "2026-03-03T07:05:00+01:00", "caption": "Microphone at the gate", "author": "A. Nobody"}
)

// formType is the media type of what aPhoto returns.
const formType = "multipart/form-data; boundary=a-boundary-of-the-tests"

// located is a photo with Exif that says where it was taken: 48° 12′ 30″ N 16° 22′ 12″ E
// (JEITA CP-3451, 4.6.6), and that it is turned.
var located = func() string {
	m := image.NewGray(image.Rect(0, 0, 16, 16))
	for i := range m.Pix {
		m.Pix[i] = color.Gray{Y: uint8(i)}.Y
	}
	var plain bytes.Buffer
	if err := stdjpeg.Encode(&plain, m, nil); err != nil {
		panic(err)
	}
	exif := []byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x02" +
		"\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00" + "\x88\x25\x00\x04\x00\x00\x00\x01\x00\x00\x00\x26" + "\x00\x00\x00\x00" +
		"\x00\x04" + "\x00\x01\x00\x02\x00\x00\x00\x02N\x00\x00\x00" + "\x00\x02\x00\x05\x00\x00\x00\x03\x00\x00\x00\x5c" +
		"\x00\x03\x00\x02\x00\x00\x00\x02E\x00\x00\x00" + "\x00\x04\x00\x05\x00\x00\x00\x03\x00\x00\x00\x74" + "\x00\x00\x00\x00")
	for _, v := range []uint32{48, 12, 30, 16, 22, 12} {
		exif = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(exif, v), 1)
	}
	out := binary.BigEndian.AppendUint16([]byte{0xff, 0xd8, 0xff, 0xe1}, uint16(len(exif)+2))
	return string(append(append(out, exif...), plain.Bytes()[2:]...))
}()

// aPhoto is a form of the located photo with options.
func aPhoto(options object) string { return formOf("gate.jpg", located, options) }

func TestNotes(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	list := "/v1/surveys/" + s.survey + "/notes"
	first := s.must(201, "POST", list, with(aNote, object{"position_id": s.position}), "Idempotency-Key", "n")
	answered(t, object{
		"survey_id": s.survey, "at": "2026-03-03T06:10:00Z", "position_id": s.position, "text": aNote["text"], "author": "A. Nobody", "corrects_id": nil, "version": 1.,
	}, first)
	answered(t, first.body, s.must(200, "GET", first.header.Get("Location"), nil))
	if again := s.must(201, "POST", list, with(aNote, object{"position_id": s.position}), "Idempotency-Key", "n"); string(again.raw) != string(first.raw) {
		t.Errorf("repeated = %s; want %s", again.raw, first.raw)
	}
	correction := s.must(201, "POST", list, object{"at": "2026-03-03T07:10:00+01:00", "text": "It was a bus.", "corrects_id": first.body["id"]})
	if correction.body["author"] == "" || correction.body["corrects_id"] != first.body["id"] {
		t.Errorf("correction = %s; want the key's name as author, and what it corrects", correction.raw)
	}

	path := "/v1/notes/" + uuid.Must(uuid.NewV7()).String()
	sent := with(aNote, object{"survey_id": s.survey, "author": nil})
	s.refused(428, "precondition_required", nil, "PUT", path, sent)
	made := s.must(201, "PUT", path, sent, "If-None-Match", "*")
	answered(t, made.body, s.must(200, "PUT", path, sent, "If-None-Match", "*"))
	s.refused(412, "precondition_failed", nil, "PUT", path, with(sent, object{"text": "Otherwise."}), "If-None-Match", "*")
	s.refused(422, "invalid", []string{"/survey_id unknown_reference"}, "PUT", "/v1/notes/"+uuid.NewString(),
		with(sent, object{"survey_id": uuid.NewString()}), "If-None-Match", "*")
	if got := s.must(200, "GET", list, nil).ids(); len(got) != 3 {
		t.Errorf("notes = %v; want three", got)
	}

	other := s.create("/v1/projects/"+s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"].(string)+"/surveys", aSurvey)
	s.refused(422, "invalid", []string{"/corrects_id unknown_reference"}, "POST", "/v1/surveys/"+other+"/notes", with(aNote, object{"corrects_id": first.body["id"]}))
	s.refused(422, "invalid", []string{"/position_id unknown_reference"}, "POST", list, with(aNote, object{"position_id": uuid.NewString()}))
	s.refused(422, "invalid", []string{"/at out_of_range", "/author required", "/text required"}, "POST", list, object{"at": "1950-01-01T00:00:00Z", "text": " ", "author": ""})
	s.refused(404, "not_found", nil, "POST", "/v1/surveys/"+uuid.NewString()+"/notes", aNote)

	// No one changes a note, not even the service.
	if _, err := pgtest.Connect(t, s.db.App).Exec(t.Context(), `update note set text = 'x'`); err == nil {
		t.Error("the service may change notes; want it refused")
	}
}

func TestAttachments(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	list := "/v1/surveys/" + s.survey + "/attachments"
	form := aPhoto(with(aCaption, object{"position_id": s.position}))
	made := s.must(201, "POST", list, form, "Content-Type", formType, "Idempotency-Key", "a")
	sum := sha256.Sum256([]byte(located))
	answered(t, object{
		"survey_id": s.survey, "at": "2026-03-03T06:05:00Z", "position_id": s.position, "caption": "Microphone at the gate", "author": "A. Nobody",
		"media_type": "image/jpeg", "file": object{"name": "gate.jpg", "bytes": float64(len(located)), "sha256": hex.EncodeToString(sum[:])},
	}, made)
	path := made.header.Get("Location")
	answered(t, made.body, s.must(200, "GET", path, nil))
	again := s.must(201, "POST", list, form, "Content-Type", formType, "Idempotency-Key", "a")
	if string(again.raw) != string(made.raw) || again.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("repeated = %s; want %s", again.raw, made.raw)
	}
	s.refused(422, "idempotency_key_reused", nil, "POST", list, formOf("gate.jpg", located+"x", aCaption), "Content-Type", formType, "Idempotency-Key", "a")
	file := s.must(200, "GET", path+"/file", nil)
	disposition, params, err := mime.ParseMediaType(file.header.Get("Content-Disposition"))
	if string(file.raw) != located || err != nil || disposition != "attachment" || params["filename"] != "gate.jpg" ||
		file.header.Get("Content-Type") != "image/jpeg" || file.header.Get("X-Content-Type-Options") != "nosniff" ||
		file.header.Get("Repr-Digest") != "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":" {
		t.Errorf("file = %d bytes, %v; want the bytes sent, as attachment with their digest", len(file.raw), file.header)
	}

	// A client sees the picture, turned alike, and not where it was taken.
	client := s.must(200, "GET", "/v1/surveys/"+s.survey, nil)
	theirs := s.keyed("client", client.body["client_id"].(string))
	shown := theirs.must(200, "GET", path+"/file", nil)
	const place = "\x00\x00\x00\x30\x00\x00\x00\x01\x00\x00\x00\x0c\x00\x00\x00\x01" // 48, 12
	if !strings.Contains(located, place) || strings.Contains(string(shown.raw), place) || strings.Contains(string(shown.raw), "\x88\x25") {
		t.Errorf("the client's photo tells the place: %x", shown.raw)
	}
	before, err := stdjpeg.Decode(strings.NewReader(located))
	if err != nil {
		t.Fatal(err)
	}
	after, err := stdjpeg.Decode(bytes.NewReader(shown.raw))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("the client's picture differs (-kept +shown):\n%.300s", diff)
	}
	heic := "\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"
	kept := s.must(201, "POST", list, formOf("gate.heic", heic, aCaption), "Content-Type", formType).header.Get("Location")
	theirs.refused(403, "location_kept", nil, "GET", kept+"/file", nil)
	if got := s.must(200, "GET", kept+"/file", nil); string(got.raw) != heic {
		t.Errorf("file = %q; want %q", got.raw, heic)
	}

	id := "/v1/attachments/" + uuid.Must(uuid.NewV7()).String()
	sent := with(aCaption, object{"survey_id": s.survey})
	put := s.must(201, "PUT", id, aPhoto(sent), "Content-Type", formType, "If-None-Match", "*")
	answered(t, put.body, s.must(200, "PUT", id, aPhoto(sent), "Content-Type", formType, "If-None-Match", "*"))
	s.refused(412, "precondition_failed", nil, "PUT", id, formOf("gate.jpg", located+"x", sent), "Content-Type", formType, "If-None-Match", "*")
	s.refused(422, "invalid", []string{"/survey_id unknown_reference"}, "PUT", "/v1/attachments/"+uuid.NewString(),
		aPhoto(with(sent, object{"survey_id": uuid.NewString()})), "Content-Type", formType, "If-None-Match", "*")
	if got := s.must(200, "GET", list, nil).ids(); len(got) != 3 {
		t.Errorf("attachments = %v; want three", got)
	}

	for name, tt := range map[string]struct {
		body, code string
		status     int
		wrong      []string
	}{
		"no picture":    {formOf("page.html", "<html><script>", aCaption), "invalid", 422, []string{"/file not_allowed"}},
		"empty":         {formOf("gate.jpg", "", aCaption), "invalid", 422, []string{"/file required"}},
		"no name":       {formOf("", located, aCaption), "invalid", 422, []string{"/file/name required"}},
		"no options":    {strings.Replace(aPhoto(aCaption), "name=options", "name=other", 1), "unknown_member", 400, nil},
		"odd options":   {aPhoto(with(aCaption, object{"colour": "red", "caption": " "})), "invalid", 422, []string{"/caption required", "/colour unknown_member"}},
		"ended early":   {aPhoto(aCaption)[:300], "body_unreadable", 400, nil},
		"too large":     {formOf("gate.jpg", located+strings.Repeat("x", 32<<20), aCaption), "too_large", 413, nil},
		"position else": {aPhoto(with(aCaption, object{"position_id": uuid.NewString()})), "invalid", 422, []string{"/position_id unknown_reference"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := *s.service
			s.t = t
			s.refused(tt.status, tt.code, tt.wrong, "POST", list, tt.body, "Content-Type", formType)
		})
	}
	var files int
	if err := pgtest.Connect(t, s.db.Superuser).QueryRow(t.Context(), `select count(distinct file_id) from file_part`).Scan(&files); err != nil || files != 3 {
		t.Errorf("%d files kept (%v); want the three of the attachments", files, err)
	}
}

// formOf is a form of a file and options whose media type is formType.
func formOf(name, file string, options object) string {
	text, err := json.Marshal(options)
	if err != nil {
		panic(err)
	}
	filename := ""
	if name != "" {
		filename = "; filename=" + name
	}
	const line, boundary = "\r\n", "--a-boundary-of-the-tests"
	return boundary + line + "Content-Disposition: form-data; name=file" + filename + line + "Content-Type: application/octet-stream" + line + line + file + line +
		boundary + line + "Content-Disposition: form-data; name=options" + line + "Content-Type: application/json" + line + line + string(text) + line + boundary + "--" + line
}
