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
	image, second *maps.Bound // with the map, if one was kept; second is nil for none
}

// openKept opens the files of an entry. They are read into memory, so nothing
// needs to be closed.
func openKept(kept archive.Kept) (*keptFiles, error) {
	if kept.ImagePath == "" {
		return nil, fmt.Errorf("%w: it holds no image", archive.ErrNotRecomputed)
	}
	files := &keptFiles{}
	var m *maps.Map
	var err error
	if kept.MapPath != "" {
		data, err := fs.ReadFile(kept.FS, kept.MapPath)
		if err != nil {
			return nil, err
		}
		if m, err = maps.Parse(kept.Ref()+"/"+path.Base(kept.MapPath), data); err != nil {
			return nil, err
		}
	}
	if files.image, err = openImage(kept, kept.ImagePath, m); err != nil {
		return nil, err
	}
	if kept.SecondReadPath != "" {
		if files.second, err = openImage(kept, kept.SecondReadPath, m); err != nil {
			return nil, err
		}
	}
	return files, nil
}

// openImage opens an image of an entry as it was opened when it was kept. m may
// be nil.
func openImage(kept archive.Kept, file string, m *maps.Map) (*maps.Bound, error) {
	data, err := fs.ReadFile(kept.FS, file)
	if err != nil {
		return nil, err
	}
	opts := image.Options{Format: image.Format(kept.ImageFormat), Base: kept.ImageBase}
	name := kept.Ref() + "/" + file
	return maps.New(name, bytes.NewReader(data), int64(len(data)), m, opts)
}
