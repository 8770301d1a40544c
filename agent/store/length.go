package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"io/fs"
	"os"
)

// The meta page of bbolt's file format (version 2), of which the file has two, in its
// first two pages: a page's header, then these, little-endian on every computer that
// the program is built for. The number of pages, the transaction and the sum come last.
const (
	metaStart    = 16
	metaSize     = 64
	metaPageSize = 8
	metaPages    = 40
	metaTx       = 48
	metaSum      = 56
	metaMagic    = 0xED0CDAED
)

// cutShort returns an error if the file ends before its last page: bbolt maps the
// file, and reading behind its end kills the process. Of a file that is not a bbolt
// file it says nothing.
func cutShort(path string) error {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }() // it was only read
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		return err
	}
	size, pages, newest := int64(0), uint64(0), uint64(0)
	for _, at := range []int64{metaStart, int64(os.Getpagesize()) + metaStart} {
		var m [metaSize]byte
		if _, err := f.ReadAt(m[:], at); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		sum := fnv.New64a()
		_, _ = sum.Write(m[:metaSum]) // a hash takes all
		tx := binary.LittleEndian.Uint64(m[metaTx:])
		if binary.LittleEndian.Uint32(m[:]) == metaMagic && binary.LittleEndian.Uint64(m[metaSum:]) == sum.Sum64() && tx >= newest {
			newest, pages, size = tx, binary.LittleEndian.Uint64(m[metaPages:]), int64(binary.LittleEndian.Uint32(m[metaPageSize:]))
		}
	}
	if want := int64(pages) * size; want > info.Size() {
		return fmt.Errorf("it is cut short: it has %d of %d bytes", info.Size(), want)
	}
	return nil
}
