package archive

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/vin"
)

// Kind says what an entry keeps.
type Kind string

const (
	Backup     Kind = "backup"     // a read that may be proved to be the way back
	Modified   Kind = "modified"   // an edit of a backup
	Readback   Kind = "readback"   // a read after writing
	Attachment Kind = "attachment" // files without an image
	GateRecord Kind = "gate"       // a modified image with the gate's verdict
)

// Kinds lists every kind.
func Kinds() []Kind { return []Kind{Backup, Modified, Readback, Attachment, GateRecord} }

// Entry is what the bag-info.txt of an entry says.
type Entry struct {
	Vehicle string `json:"vehicle"`
	VIN     string `json:"vin,omitempty"`
	Folder  string `json:"folder"` // of the vehicle, in the archive
	Name    string `json:"entry"`  // of the entry's folder, in the vehicle's
	Number  int    `json:"number"` // 1 for the first of the vehicle
	Kind    Kind   `json:"kind"`

	Created time.Time `json:"created"` // by the clock of the machine; the order is Number's
	Tool    string    `json:"tool"`

	// Paths in the entry, "" for what it does not hold.
	ImagePath       string   `json:"image,omitempty"`
	SecondReadPath  string   `json:"second_read,omitempty"`
	MapPath         string   `json:"map,omitempty"`
	VerdictPath     string   `json:"verdict_json,omitempty"`
	VerdictTextPath string   `json:"verdict_text,omitempty"`
	NotePath        string   `json:"note,omitempty"`
	Attached        []string `json:"attached,omitempty"`

	ImageSHA256  string           `json:"image_sha256,omitempty"`
	ImageName    string           `json:"image_name,omitempty"` // of the file that was given
	ImageFormat  string           `json:"image_format,omitempty"`
	ImageBase    *uint64          `json:"image_base,omitempty"`    // address of the first byte of a raw file; nil means the map's, or 0
	ParentSHA256 string           `json:"parent_sha256,omitempty"` // of the image this one was made from
	Verdict      evidence.Verdict `json:"verdict,omitempty"`       // the kept verdict
	Controller   bagit.Fields     `json:"controller,omitempty"`    // identity fields read from the image
	Conditions   Conditions       `json:"conditions"`

	PreviousSHA256    string `json:"previous_sha256,omitempty"` // of the previous entry's tag manifest; "" for the first entry
	TagManifestSHA256 string `json:"tag_manifest_sha256,omitempty"`
	Problem           string `json:"problem,omitempty"` // why bag-info.txt could not be read; the entry needs a verify

	payload int64 // bytes of the payload, as Payload-Oxum says
}

// Ref returns the place of the entry in the archive, "VEHICLE-FOLDER/ENTRY".
func (e *Entry) Ref() string { return e.Folder + "/" + e.Name }

// Conditions are what the user stated about the bench while an image was read.
type Conditions struct {
	SupplyVolts      *float64       `json:"supply_volts,omitempty"`
	AdapterLatencyMS *float64       `json:"adapter_latency_ms,omitempty"`
	Duration         *time.Duration `json:"duration,omitempty"`
}

// Labels of bag-info.txt. The first four are reserved by RFC 8493 section
// 2.2.2, the others are ours.
const (
	labelAgent      = "Bag-Software-Agent"
	labelDate       = "Bagging-Date"
	labelOxum       = "Payload-Oxum"
	labelVehicle    = "Vehicle"
	labelVIN        = "Vehicle-Identification-Number"
	labelNumber     = "Entry-Number"
	labelKind       = "Entry-Kind"
	labelCreated    = "Entry-Created"
	labelImage      = "Image-File"
	labelImageSum   = "Image-SHA256"
	labelImageName  = "Image-Original-Name"
	labelFormat     = "Image-Format"
	labelBase       = "Image-Base-Address" // hexadecimal with 0x
	labelParent     = "Parent-Image-SHA256"
	labelSecond     = "Second-Read-File"
	labelMap        = "Map-File"
	labelVerdict    = "Verdict"
	labelJSON       = "Verdict-File"
	labelText       = "Verdict-Text-File"
	labelNote       = "Note-File"
	labelAttached   = "Attached-File"
	labelController = "Controller-Identity" // "name = value"
	labelVolts      = "Supply-Volts"
	labelLatency    = "Adapter-Latency-Milliseconds"
	labelDuration   = "Read-Duration" // as Go prints it: 1h2m3s
	labelPrevious   = "Previous-Tag-Manifest-SHA256"
)

// noPrevious is the value of labelPrevious in the first entry of a vehicle.
const noPrevious = "none"

// info returns the bag-info.txt of e.
func (e *Entry) info(oxum string) ([]byte, error) {
	var f bagit.Fields
	put := func(label, value string) {
		if value != "" {
			f = append(f, bagit.Field{Label: label, Value: bagit.Squeeze(value)})
		}
	}
	put(labelVehicle, e.Vehicle)
	put(labelVIN, e.VIN)
	put(labelNumber, strconv.Itoa(e.Number))
	put(labelKind, string(e.Kind))
	put(labelCreated, e.Created.UTC().Format(time.RFC3339))
	put(labelImage, e.ImagePath)
	put(labelImageSum, e.ImageSHA256)
	put(labelImageName, e.ImageName)
	put(labelFormat, e.ImageFormat)
	if e.ImageBase != nil {
		put(labelBase, fmt.Sprintf("0x%X", *e.ImageBase))
	}
	put(labelParent, e.ParentSHA256)
	put(labelSecond, e.SecondReadPath)
	put(labelMap, e.MapPath)
	put(labelVerdict, string(e.Verdict))
	put(labelJSON, e.VerdictPath)
	put(labelText, e.VerdictTextPath)
	put(labelNote, e.NotePath)
	for _, a := range e.Attached {
		put(labelAttached, a)
	}
	for _, c := range e.Controller {
		put(labelController, c.Label+" = "+c.Value)
	}
	if v := e.Conditions.SupplyVolts; v != nil {
		put(labelVolts, strconv.FormatFloat(*v, 'g', -1, 64))
	}
	if v := e.Conditions.AdapterLatencyMS; v != nil {
		put(labelLatency, strconv.FormatFloat(*v, 'g', -1, 64))
	}
	if v := e.Conditions.Duration; v != nil {
		put(labelDuration, v.String())
	}
	if e.PreviousSHA256 == "" {
		put(labelPrevious, noPrevious)
	} else {
		put(labelPrevious, e.PreviousSHA256)
	}
	put(labelDate, e.Created.UTC().Format(time.DateOnly))
	put(labelOxum, oxum)
	e.payload = payloadBytes(oxum)
	put(labelAgent, e.Tool)
	return bagit.FormatInfo(f)
}

// entryFromInfo reads what info wrote and checks everything in it. Folder and
// Name are the caller's to set.
func entryFromInfo(f bagit.Fields) (Entry, error) {
	p := infoParser{fields: f}
	e := Entry{
		Vehicle:        p.one(labelVehicle, true),
		VIN:            p.one(labelVIN, false),
		Kind:           Kind(p.one(labelKind, true)),
		Tool:           p.one(labelAgent, true),
		ImagePath:      p.path(labelImage),
		ImageSHA256:    p.sum(labelImageSum),
		ImageName:      p.one(labelImageName, false),
		ImageFormat:    p.one(labelFormat, false),
		ParentSHA256:   p.sum(labelParent),
		SecondReadPath: p.path(labelSecond),
		MapPath:        p.path(labelMap),
		Verdict:        evidence.Verdict(p.one(labelVerdict, false)),

		VerdictPath:     p.path(labelJSON),
		VerdictTextPath: p.path(labelText),
		NotePath:        p.path(labelNote),
		Attached:        f.All(labelAttached),

		payload: payloadBytes(f.Get(labelOxum)),
	}
	var err error
	if e.Number, err = strconv.Atoi(p.one(labelNumber, true)); err != nil || e.Number < 1 {
		p.bad(labelNumber, "is no number from 1")
	}
	if e.Created, err = time.Parse(time.RFC3339, p.one(labelCreated, true)); err != nil {
		p.bad(labelCreated, "is no time")
	}
	if !validKind(e.Kind) {
		p.bad(labelKind, "is none of "+joinKinds())
	}
	if e.VIN != "" {
		if _, err := vin.Check(e.VIN); err != nil {
			p.bad(labelVIN, err.Error())
		}
	}
	switch e.Verdict {
	case "", evidence.Pass, evidence.Fail, evidence.Unproven:
	default:
		p.bad(labelVerdict, "is none of pass, fail, unproven")
	}
	if (e.ImagePath == "") != (e.ImageSHA256 == "") || (e.ImagePath == "") != (e.Kind == Attachment) {
		p.bad(labelImage, "and its hash belong to every kind but attachment")
	}
	if (e.Verdict == "") != (e.VerdictPath == "") || (e.Verdict == "") != (e.VerdictTextPath == "") {
		p.bad(labelVerdict, "and its two files belong together")
	}
	if e.PreviousSHA256 = p.one(labelPrevious, true); e.PreviousSHA256 == noPrevious {
		e.PreviousSHA256 = ""
	} else {
		p.sum(labelPrevious)
	}
	for _, c := range f.All(labelController) {
		label, value, ok := strings.Cut(c, " = ")
		if !ok {
			p.bad(labelController, `is not "name = value"`)
		}
		e.Controller = append(e.Controller, bagit.Field{Label: label, Value: value})
	}
	if s := p.one(labelBase, false); s != "" {
		base, err := strconv.ParseUint(s, 0, 64)
		if err != nil {
			p.bad(labelBase, "is no address")
		}
		e.ImageBase = &base
	}
	e.Conditions = Conditions{SupplyVolts: p.float(labelVolts), AdapterLatencyMS: p.float(labelLatency)}
	if s := p.one(labelDuration, false); s != "" {
		d, err := time.ParseDuration(s)
		if err != nil {
			p.bad(labelDuration, "is no duration")
		}
		e.Conditions.Duration = &d
	}
	if p.problems != nil {
		return Entry{}, fmt.Errorf("bag-info.txt: %s", strings.Join(p.problems, "; "))
	}
	return e, nil
}

// payloadBytes returns the number of bytes in a Payload-Oxum, 0 if there is
// none. Whether it is right is for a verification to say.
func payloadBytes(oxum string) int64 {
	bytes, _, _ := strings.Cut(oxum, ".")
	n, err := strconv.ParseInt(bytes, 10, 64)
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// infoParser collects what is wrong with the fields of a bag-info.txt.
type infoParser struct {
	fields   bagit.Fields
	problems []string
}

func (p *infoParser) bad(label, what string) { p.problems = append(p.problems, label+" "+what) }

func (p *infoParser) one(label string, required bool) string {
	value, given := "", 0
	for i := range p.fields { // All would make a list of each label
		if f := &p.fields[i]; strings.EqualFold(f.Label, label) {
			value = f.Value
			given++
		}
	}
	switch {
	case given > 1:
		p.bad(label, "is given more than once")
		return ""
	case given == 0 && required:
		p.bad(label, "is missing")
	}
	return value
}

func (p *infoParser) path(label string) string {
	s := p.one(label, false)
	if s != "" && !strings.HasPrefix(s, "data/") {
		p.bad(label, "lies outside data/")
	}
	return s
}

func (p *infoParser) sum(label string) string {
	s := p.one(label, false)
	if s != "" && !IsSHA256(s) {
		p.bad(label, "is no SHA-256 in lower-case hexadecimal")
	}
	return s
}

func (p *infoParser) float(label string) *float64 {
	s := p.one(label, false)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		p.bad(label, "is no number")
	}
	return &v
}

// IsSHA256 reports whether s is a SHA-256 as the archive writes it: 64
// lower-case hexadecimal digits.
func IsSHA256(s string) bool {
	b, err := hex.DecodeString(s)
	return err == nil && len(b) == 32 && s == strings.ToLower(s)
}

func validKind(k Kind) bool {
	for _, known := range Kinds() {
		if k == known {
			return true
		}
	}
	return false
}

func joinKinds() string {
	var out []string
	for _, k := range Kinds() {
		out = append(out, string(k))
	}
	return strings.Join(out, ", ")
}

// folderName returns the name of the entry's folder.
func (e *Entry) folderName() string {
	return fmt.Sprintf("%04d-%s-%s", e.Number, e.Kind, e.Created.UTC().Format(time.DateOnly))
}

// parseEntryName returns the number in the name of an entry's folder, or false
// for a folder that is no entry: number, kind, day.
func parseEntryName(name string) (int, bool) {
	digits, rest, _ := strings.Cut(name, "-")
	kind, day, _ := strings.Cut(rest, "-")
	n, ok := parseNumber(digits)
	if !ok || n < 1 || len(digits) < 4 || len(digits) > 9 || len(digits) > 4 && digits[0] == '0' || !validKind(Kind(kind)) {
		return 0, false
	}
	if len(day) != len(time.DateOnly) || day[4] != '-' || day[7] != '-' {
		return 0, false
	}
	for _, part := range []string{day[:4], day[5:7], day[8:]} {
		if _, ok := parseNumber(part); !ok {
			return 0, false
		}
	}
	return n, true
}
