package bagit

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
)

// errTooMany ends the walk of a folder that is no bag of anybody's.
var errTooMany = errors.New("too many files")

// walk lists every file and judges its name.
func (v *validator) walk(dir string, depth int) error {
	if err := v.ctx.Err(); err != nil {
		return err
	}
	entries, err := fs.ReadDir(v.fsys, dir)
	if err != nil {
		return fmt.Errorf("read bag folder: %w", err)
	}
	seen := make(map[string]string, len(entries))
	if len(entries) == 0 && dir != "data" && dir != "." {
		v.strict("empty-folder", dir, "folder is empty; no manifest can tell that it belongs here")
	}
	for _, e := range entries {
		if v.entries++; v.entries > v.opts.MaxFiles {
			return fmt.Errorf("%w: more than %d in one bag", errTooMany, v.opts.MaxFiles)
		}
		name := path.Join(dir, e.Name())
		if err := CheckElement(e.Name()); err != nil {
			v.strict("unsafe-name", name, "%v", err)
		} else if len(name) > MaxPath {
			v.strict("unsafe-name", name, "path has %d bytes, more than %d", len(name), MaxPath)
		}
		key := CollisionKey(e.Name())
		if other, ok := seen[key]; ok {
			v.strict("name-collision", name, "%q and %q are one name on some file systems", other, e.Name())
		}
		seen[key] = e.Name()
		switch {
		case e.IsDir():
			v.hasData = v.hasData || name == "data"
			if depth >= maxDepth {
				return fmt.Errorf("%w: folders deeper than %d", errTooMany, maxDepth)
			}
			if dir == "." && e.Name() != "data" {
				v.strict("extra-folder", name, "folder beside data/; tag files lie in the bag itself")
			}
			if err := v.walk(name, depth+1); err != nil {
				return err
			}
		case e.Type().IsRegular():
			info, err := e.Info()
			if err != nil {
				return fmt.Errorf("read bag folder: %w", err)
			}
			v.report.Files[name] = File{Size: info.Size(), Sums: map[string][]byte{}}
			if isPayload(name) {
				v.report.PayloadBytes += info.Size()
			}
		default:
			v.strict("not-a-file", name, "is a %s, neither file nor folder; it was not followed", typeName(e.Type()))
		}
	}
	return nil
}

func isPayload(name string) bool { return strings.HasPrefix(name, "data/") }

func typeName(t fs.FileMode) string {
	switch {
	case t&fs.ModeSymlink != 0:
		return "symbolic link"
	case t&fs.ModeNamedPipe != 0:
		return "named pipe"
	case t&fs.ModeSocket != 0:
		return "socket"
	default:
		return "device"
	}
}
