// Package objectstore keeps an archive's entries in a bucket: S3-compatible,
// Azure, Google, or a folder. It is a module of its own, because the clients of
// the clouds link many others; the archive itself needs none of them.
//
// [Open] takes the URL of a bucket as gocloud.dev/blob has it:
//
//	s3://bucket?region=us-east-1                             AWS; credentials from the environment
//	s3://bucket?endpoint=https://shop.example&use_path_style=true   S3-compatible
//	azblob://container   gs://bucket   file:///srv/bucket
//
// A "prefix=folder/" in it keeps the archive below that folder of the bucket.
// The forms beyond that are those of gocloud.dev. Objects are written with
// create-if-absent, never overwritten and never deleted.
package objectstore

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"strings"

	"gocloud.dev/blob"
	_ "gocloud.dev/blob/azureblob" // azblob://
	_ "gocloud.dev/blob/fileblob"  // file://
	_ "gocloud.dev/blob/gcsblob"   // gs://
	_ "gocloud.dev/blob/s3blob"    // s3://
	"gocloud.dev/gcerrors"

	"example.com/calproof/image/archive"
)

// Bucket is an [archive.Store] in a bucket.
type Bucket struct {
	bucket *blob.Bucket
}

var _ archive.Store = (*Bucket)(nil)

// Open opens the bucket at url. Close releases it.
func Open(ctx context.Context, url string) (*Bucket, error) {
	b, err := blob.OpenBucket(ctx, url)
	if err != nil {
		return nil, fmt.Errorf("open store %s: %w", url, err)
	}
	return &Bucket{bucket: b}, nil
}

// Close releases the bucket.
func (b *Bucket) Close() error { return b.bucket.Close() }

// Create implements [archive.Store].
func (b *Bucket) Create(ctx context.Context, name string, r io.Reader, size int64) error {
	// Closing a writer keeps what was written; only an ended context drops it.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	w, err := b.bucket.NewWriter(ctx, name, &blob.WriterOptions{
		IfNotExist: true, ContentType: "application/octet-stream", DisableContentTypeDetection: true,
	})
	if err != nil {
		return translate(name, err)
	}
	n, err := io.Copy(w, r)
	if err == nil && n != size {
		err = fmt.Errorf("%s: %d bytes were read where %d were announced", name, n, size)
	}
	if err != nil {
		cancel()
		_ = w.Close() // drops it, and says that the context ended
		return translate(name, err)
	}
	return translate(name, w.Close())
}

// Open implements [archive.Store].
func (b *Bucket) Open(ctx context.Context, name string, offset int64) (io.ReadCloser, error) {
	if offset > 0 {
		// A range that begins at the end is an error of its own kind for each
		// cloud.
		attrs, err := b.bucket.Attributes(ctx, name)
		if err != nil {
			return nil, translate(name, err)
		}
		if offset >= attrs.Size {
			return io.NopCloser(strings.NewReader("")), nil
		}
	}
	r, err := b.bucket.NewRangeReader(ctx, name, offset, -1, nil)
	if err != nil {
		return nil, translate(name, err)
	}
	return r, nil
}

// List implements [archive.Store].
func (b *Bucket) List(ctx context.Context, folder string) iter.Seq2[archive.Object, error] {
	return func(yield func(archive.Object, error) bool) {
		prefix := folder
		if prefix != "" {
			prefix += "/"
		}
		for it := b.bucket.List(&blob.ListOptions{Prefix: prefix, Delimiter: "/"}); ; {
			o, err := it.Next(ctx)
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				yield(archive.Object{}, translate(folder, err))
				return
			}
			name := strings.TrimSuffix(strings.TrimPrefix(o.Key, prefix), "/")
			if name == "" { // the placeholder some programs make for a folder
				continue
			}
			if !yield(archive.Object{Name: name, Size: o.Size, Folder: o.IsDir}, nil) {
				return
			}
		}
	}
}

// translate makes errors of a driver those of [archive.Store].
func translate(name string, err error) error {
	switch {
	case err == nil:
		return nil
	case gcerrors.Code(err) == gcerrors.NotFound:
		return fmt.Errorf("%s: %w", name, fs.ErrNotExist)
	case gcerrors.Code(err) == gcerrors.FailedPrecondition:
		return fmt.Errorf("%s: %w", name, fs.ErrExist)
	}
	return fmt.Errorf("%s: %w", name, err)
}
