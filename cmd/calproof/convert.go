package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
	"example.com/calproof/image/safefile"
	"example.com/calproof/maps"
)

// ConvertOptions are the options of calproof convert.
type ConvertOptions struct {
	Output
	Input
	In, Out string
	Force   bool

	// What is done to the image, in this order.
	Join   []string // files whose units follow those of In
	Unit   int      // bytes of a unit, for Join and Split
	Add    []string // FILE or FILE@ADDRESS, put beside In
	Swap   int
	Keep   []image.Range
	Rebase *uint64
	Split  int

	// How it is written.
	To           image.Format
	Fill         byte
	MaxSize      uint64
	RecordLength int
	AddressWidth int
	Header       string
	Start        startFlag
	LineEnd      string
	Count        bool
	given        func(flag string) bool // whether a flag was given
}

func newConvertCommand(streams Streams) *cobra.Command {
	opts := &ConvertOptions{Fill: 0xFF, Unit: 1, RecordLength: image.DefaultRecordLength}
	cmd := &cobra.Command{
		Use:   "convert IN OUT",
		Short: "Write an image in another format, joined, split, cut or moved",
		Long: `Write the image IN to the new file OUT, as raw binary, Intel HEX or S-records:
what --to says, else what OUT's name ends in. On the way, in this order: join
interleaved files, add files beside it, swap bytes, keep ranges, move, split.
With --map, IN is first arranged as the map says. IN may be -, standard input,
and OUT may be -, standard output, with --to.

An existing OUT is refused without --force, and OUT equal to IN always. IN is
never changed. --split N writes N files, numbered before the ending of OUT.

` + exitHelpDone,
		Example: `  calproof convert demo/backup.bin demo/backup.hex
  calproof convert demo/backup.hex demo/drive.s37 --range 0x70000-0x7FFFF --record-length 32
  calproof convert demo/backup.bin demo/chips.bin --split 2
  calproof convert demo/chips.0.bin demo/joined.bin --join demo/chips.1.bin`,
		Args: takes("IN", "OUT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.In, opts.Out = args[0], args[1]
			opts.given = cmd.Flags().Changed
			return runConvert(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	flags := cmd.Flags()
	flags.BoolVar(&opts.Force, "force", false, "replace an existing OUT")
	flags.StringArrayVar(&opts.Join, "join", nil, "interleave IN with this `file`, unit by unit; can be given several times")
	addVar(cmd, countFlag{&opts.Unit}, "unit", "bytes of a unit for --join and --split: 1, 2 or 4")
	flags.StringArrayVar(&opts.Add, "add", nil, "put this `file` beside IN, a raw one as FILE@ADDRESS; can be given several times")
	addVar(cmd, countFlag{&opts.Swap}, "swap", "reverse the bytes of every 2 or 4")
	addVar(cmd, rangesFlag{&opts.Keep}, "range", "keep only these addresses; can be given several times")
	addVar(cmd, addressFlag{&opts.Rebase}, "rebase", "move the image so that its first byte lies here")
	addVar(cmd, countFlag{&opts.Split}, "split", "write this many files, dealing out the units in turn")
	addVar(cmd, formatFlag{&opts.To}, "to", "format of OUT: raw, intelhex or srecord", "raw", "intelhex", "srecord")
	addVar(cmd, byteFlag{&opts.Fill}, "fill", "raw: value of bytes that the image does not hold")
	flags.Uint64Var(&opts.MaxSize, "max-size", image.DefaultMaxRaw, "raw: largest file, in `bytes`")
	addVar(cmd, countFlag{&opts.RecordLength}, "record-length", "intelhex, srecord: data bytes in a record")
	addVar(cmd, countFlag{&opts.AddressWidth}, "address-width", "bits of an address; intelhex: 16, 20 or 32, srecord: 16, 24 or 32 (default: what fits)")
	flags.StringVar(&opts.Header, "header", "", "srecord: header `text` (default: the input's)")
	addVar(cmd, &opts.Start, "start-address", "intelhex, srecord: where execution starts, or none (default: the input's)")
	addVar(cmd, choiceFlag[string]{&opts.LineEnd, []string{"lf", "crlf", "cr"}}, "line-end", "intelhex, srecord: lf, crlf or cr (default lf)", "lf", "crlf", "cr")
	flags.BoolVar(&opts.Count, "count", false, "srecord: add a record that counts the data records")
	return cmd
}

// startFlag is a start address, or "none" to leave it out.
type startFlag struct {
	addr *uint64
	none bool
}

func (f *startFlag) String() string { return addressFlag{&f.addr}.String() }
func (*startFlag) Type() string     { return "address" }
func (f *startFlag) Set(s string) error {
	f.none = s == "none"
	if f.none {
		return nil
	}
	return addressFlag{&f.addr}.Set(s)
}

func runConvert(ctx context.Context, opts *ConvertOptions, streams Streams) error {
	write, err := opts.writer()
	if err != nil {
		return err
	}
	if opts.Out == stdin && (opts.JSON || opts.given("split")) {
		return fmt.Errorf("convert: standard output takes the image alone; name a file for OUT, or leave out --json and --split")
	}
	files, err := opts.openAll(streams)
	var inputs []*image.Image
	for _, f := range files {
		defer f.Close()
		inputs = append(inputs, f.Image)
	}
	if err != nil {
		return err
	}
	images, err := opts.arrange(inputs)
	if err != nil {
		return fmt.Errorf("convert: %w", err)
	}
	if opts.Out == stdin {
		return write(streams.Out, images[0])
	}
	data := report.Convert(opts.In, files[0].Opened(), opts.Out, opts.To, images...)
	if opts.Start.addr != nil || opts.Start.none {
		data.StartAddress = opts.Start.addr
	}
	if opts.To == image.FormatRaw {
		for _, im := range images {
			span := opts.rawRange()
			if span.Size == 0 {
				span = im.Bounds()
			}
			data.Filled += image.TotalSize(im.Gaps(span))
		}
	}
	outputs := []string{opts.Out}
	if opts.given("split") {
		outputs = numbered(opts.Out, opts.Split)
		data.Parts = outputs
	}
	safe := safefile.Options{Force: opts.Force, Inputs: opts.files()}
	for _, out := range outputs { // all or none
		if err := safefile.Check(out, safe); err != nil {
			return fmt.Errorf("convert: %w", err)
		}
	}
	for i, im := range images {
		if err := writeFile(ctx, outputs[i], safe, func(w io.Writer) error { return write(w, im) }); err != nil {
			return fmt.Errorf("convert: %w", err)
		}
	}
	return opts.print(streams, data)
}

// numbered puts numbers before the ending of a file name.
func numbered(path string, n int) []string {
	ext := filepath.Ext(path)
	var names []string
	for i := range n {
		names = append(names, fmt.Sprintf("%s.%d%s", strings.TrimSuffix(path, ext), i, ext))
	}
	return names
}

// endings tells the format that the ending of a file name stands for.
func endings() map[string]image.Format {
	return map[string]image.Format{
		".bin": image.FormatRaw, ".raw": image.FormatRaw, ".rom": image.FormatRaw, ".img": image.FormatRaw,
		".hex": image.FormatIntelHex, ".ihex": image.FormatIntelHex, ".ihx": image.FormatIntelHex,
		".srec": image.FormatSRecord, ".mot": image.FormatSRecord, ".s19": image.FormatSRecord, ".s28": image.FormatSRecord, ".s37": image.FormatSRecord,
	}
}

// writer settles the format and returns the function that writes it. Flags
// that mean nothing in that format are an error: whoever gave them expects
// something else than would be written.
func (o *ConvertOptions) writer() (func(io.Writer, *image.Image) error, error) {
	if o.given("unit") && len(o.Join) == 0 && !o.given("split") {
		return nil, errors.New("convert: --unit means nothing without --join or --split; leave it out")
	}
	if o.given("max-size") && o.MaxSize == 0 {
		return nil, errors.New("convert: --max-size is 0, which allows no file at all; give the largest size in bytes")
	}
	if o.To == image.FormatAuto {
		o.To = endings()[strings.ToLower(filepath.Ext(o.Out))]
	}
	means := map[image.Format][]string{
		image.FormatRaw:      {"fill", "max-size"},
		image.FormatIntelHex: {"record-length", "address-width", "start-address", "line-end"},
		image.FormatSRecord:  {"record-length", "address-width", "start-address", "line-end", "header", "count"},
	}
	known, ok := means[o.To]
	switch {
	case ok:
	case o.To != image.FormatAuto:
		return nil, fmt.Errorf("convert: no file of format %s can be written; say --to raw, intelhex or srecord", o.To)
	default:
		return nil, fmt.Errorf("convert: cannot tell the format of %s by its name; say --to raw, intelhex or srecord", o.Out)
	}
	for _, flag := range []string{"fill", "max-size", "record-length", "address-width", "start-address", "line-end", "header", "count"} {
		if o.given(flag) && !slices.Contains(known, flag) {
			return nil, fmt.Errorf("convert: --%s means nothing in a file of format %s; leave it out", flag, o.To)
		}
	}
	lineEnd := map[string]string{"crlf": "\r\n", "cr": "\r"}[o.LineEnd]
	switch o.To {
	case image.FormatIntelHex:
		addressing, ok := map[int]image.IntelHexAddressing{0: image.IntelHexAuto, 16: image.IntelHex16Bit, 20: image.IntelHexSegmented, 32: image.IntelHexLinear}[o.AddressWidth]
		if !ok {
			return nil, fmt.Errorf("convert: --address-width %d: Intel HEX has 16, 20 or 32 bits", o.AddressWidth)
		}
		hex := image.IntelHexOptions{RecordLength: o.RecordLength, Addressing: addressing, Start: o.Start.addr, NoStart: o.Start.none, LineEnd: lineEnd}
		return func(w io.Writer, im *image.Image) error { return image.WriteIntelHex(w, im, hex) }, nil
	case image.FormatSRecord:
		if !slices.Contains([]int{0, 16, 24, 32}, o.AddressWidth) {
			return nil, fmt.Errorf("convert: --address-width %d: S-records have 16, 24 or 32 bits", o.AddressWidth)
		}
		rec := image.SRecordOptions{RecordLength: o.RecordLength, AddressBytes: o.AddressWidth / 8, Start: o.Start.addr, NoStart: o.Start.none, LineEnd: lineEnd, Count: o.Count}
		if o.given("header") {
			rec.Header = &o.Header
		}
		return func(w io.Writer, im *image.Image) error { return image.WriteSRecord(w, im, rec) }, nil
	default:
		raw := image.RawOptions{Fill: o.Fill, Max: o.MaxSize, Range: o.rawRange()}
		return func(w io.Writer, im *image.Image) error { return image.WriteRaw(w, im, raw) }, nil
	}
}

// rawRange returns what a raw file spans: the one range that was asked for,
// filled where the image holds nothing, or else the image's bounds.
func (o *ConvertOptions) rawRange() image.Range {
	if len(o.Keep) != 1 || o.given("split") || o.Rebase != nil {
		return image.Range{}
	}
	return o.Keep[0]
}

// placed takes apart FILE@ADDRESS.
func placed(s string) (file string, at *uint64) {
	cut := strings.LastIndexByte(s, '@')
	if cut < 0 {
		return s, nil
	}
	addr, err := image.ParseAddress(s[cut+1:])
	if err != nil { // an @ in the name of the file
		return s, nil
	}
	return s[:cut], &addr
}

// files returns every input that is a file.
func (o *ConvertOptions) files() []string {
	files := append([]string{o.In, o.Map}, o.Join...)
	for _, s := range o.Add {
		file, _ := placed(s)
		files = append(files, file)
	}
	return slices.DeleteFunc(files, func(f string) bool { return f == "" || f == stdin })
}

// openAll opens every input: In, then those to join, then those to add. The
// caller closes them, also after an error.
func (o *ConvertOptions) openAll(streams Streams) ([]*maps.Bound, error) {
	var all []*maps.Bound
	open := func(path string, in Input, m *maps.Map) error {
		im, err := in.open(streams, path, m)
		if err == nil {
			all = append(all, im)
		}
		return err
	}
	m, err := o.loadMap()
	if err != nil {
		return nil, err
	}
	if err := open(o.In, o.Input, m); err != nil {
		return all, err
	}
	for _, path := range o.Join {
		if err := open(path, o.Input, nil); err != nil {
			return all, err
		}
	}
	for _, s := range o.Add {
		path, at := placed(s)
		if err := open(path, Input{Base: at}, nil); err != nil {
			return all, err
		}
	}
	return all, nil
}

// arrange does to the opened images what the options say.
func (o *ConvertOptions) arrange(inputs []*image.Image) ([]*image.Image, error) {
	im, added := inputs[0], inputs[1+len(o.Join):]
	var err error
	if len(o.Join) > 0 {
		if im, err = image.Join(im.Bounds().Start, o.Unit, inputs[:1+len(o.Join)]...); err != nil {
			return nil, err
		}
	}
	if len(added) > 0 {
		if im, err = image.Combine(append([]*image.Image{im}, added...)...); err != nil {
			return nil, err
		}
	}
	if o.given("swap") {
		if im, err = im.Swap(o.Swap); err != nil {
			return nil, err
		}
	}
	if len(o.Keep) > 0 {
		if im, err = keep(im, o.Keep); err != nil {
			return nil, err
		}
	}
	if o.Rebase != nil {
		if im, err = im.Rebase(im.Bounds().Start, *o.Rebase); err != nil {
			return nil, err
		}
	}
	if o.given("split") {
		return im.Split(im.Bounds().Start, o.Split, o.Unit)
	}
	return []*image.Image{im}, nil
}

// keep cuts an image down to ranges.
func keep(im *image.Image, ranges []image.Range) (*image.Image, error) {
	var parts []*image.Image
	for _, r := range image.MergeRanges(ranges) {
		part, err := im.Slice(r)
		if err != nil {
			return nil, err
		}
		parts = append(parts, part)
	}
	return image.Combine(parts...)
}
