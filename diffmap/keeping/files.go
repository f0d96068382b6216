package keeping

import (
	"bytes"
	"fmt"
	"io/fs"
	"path"

	"example.com/calproof/image"
	"example.com/calproof/image/archive"
	"example.com/calproof/maps"
)

// keptFiles are the opened files of an entry.
type keptFiles struct {
	m             *maps.Map    // nil for none
	image, second *image.Image // second is nil for none
}

// openKept opens the files of an entry. They are read into memory, so nothing
// needs to be closed.
func openKept(kept archive.Kept) (*keptFiles, error) {
	if kept.ImagePath == "" {
		return nil, fmt.Errorf("%w: it holds no image", archive.ErrNotRecomputed)
	}
	files := &keptFiles{}
	if kept.MapPath != "" {
		data, err := fs.ReadFile(kept.FS, kept.MapPath)
		if err != nil {
			return nil, err
		}
		if files.m, err = maps.Parse(kept.Ref()+"/"+path.Base(kept.MapPath), data); err != nil {
			return nil, err
		}
	}
	var err error
	if files.image, err = openImage(kept, kept.ImagePath, files.m); err != nil {
		return nil, err
	}
	if kept.SecondReadPath != "" {
		if files.second, err = openImage(kept, kept.SecondReadPath, files.m); err != nil {
			return nil, err
		}
	}
	return files, nil
}

// openImage opens an image of an entry as it was opened when it was kept.
func openImage(kept archive.Kept, file string, m *maps.Map) (*image.Image, error) {
	data, err := fs.ReadFile(kept.FS, file)
	if err != nil {
		return nil, err
	}
	opts := image.Options{Format: image.Format(kept.ImageFormat), Base: kept.ImageBase}
	name, r, size := kept.Ref()+"/"+file, bytes.NewReader(data), int64(len(data))
	if m == nil {
		im, err := image.New(r, size, opts)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		return im, nil
	}
	b, err := maps.New(name, r, size, m, opts)
	if err != nil {
		return nil, err
	}
	return b.Image, nil
}
