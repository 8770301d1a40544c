package pack

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"time"
)

// Part is one file of a pack.
type Part struct {
	Name    string
	Content []byte
}

// zipped writes parts as a ZIP archive (PKWARE APPNOTE 6.3.10, sections 4.3.7, 4.3.12
// and 4.3.16), stored without compression, every file dated alike. A library would do
// it too; but a pack is held against the bytes that its parts make, for years, and what a
// library writes around them may change with its next version.
func zipped(parts []Part, at time.Time) []byte {
	var out, directory []byte
	for _, p := range parts {
		start := uint32(len(out))
		head := fileHead(p, at)
		out = append(append(append(append(out, 'P', 'K', 3, 4), head...), p.Name...), p.Content...)
		// Version that made it 2.0, then the same head, no comment, first disk, no
		// attributes, where the file begins.
		directory = append(append(directory, 'P', 'K', 1, 2, 20, 0), head...)
		directory = append(directory, make([]byte, 10)...)
		directory = append(binary.LittleEndian.AppendUint32(directory, start), p.Name...)
	}
	size, begins := uint32(len(directory)), uint32(len(out))
	out = append(append(out, directory...), 'P', 'K', 5, 6, 0, 0, 0, 0)
	out = binary.LittleEndian.AppendUint16(out, uint16(len(parts)))
	out = binary.LittleEndian.AppendUint16(out, uint16(len(parts)))
	out = binary.LittleEndian.AppendUint32(out, size)
	out = binary.LittleEndian.AppendUint32(out, begins)
	return append(out, 0, 0)
}

// fileHead is what the two heads of a file have in common: version 2.0, names in UTF-8,
// stored, its date, checksum, sizes, the length of its name, nothing extra.
func fileHead(p Part, at time.Time) []byte {
	at = at.UTC()
	b := binary.LittleEndian.AppendUint16(nil, 20)
	b = binary.LittleEndian.AppendUint16(b, 1<<11)
	b = binary.LittleEndian.AppendUint16(b, zip.Store)
	b = binary.LittleEndian.AppendUint16(b, uint16(at.Hour()<<11|at.Minute()<<5|at.Second()/2))
	b = binary.LittleEndian.AppendUint16(b, uint16((max(at.Year(), 1980)-1980)<<9|int(at.Month())<<5|at.Day()))
	b = binary.LittleEndian.AppendUint32(b, crc32.ChecksumIEEE(p.Content))
	b = binary.LittleEndian.AppendUint32(b, uint32(len(p.Content)))
	b = binary.LittleEndian.AppendUint32(b, uint32(len(p.Content)))
	b = binary.LittleEndian.AppendUint16(b, uint16(len(p.Name)))
	return binary.LittleEndian.AppendUint16(b, 0)
}

// most is how many bytes a pack may have: the numbers of a ZIP archive reach no further,
// and nobody sends more.
const most = 1 << 30

// unzipped reads the files of an archive. A file whose checksum does not fit is there
// with what can be read of it: the manifest says what it should be.
func unzipped(raw []byte) ([]Part, error) {
	r, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		if bytes.HasPrefix(raw, []byte("PK\x03\x04")) {
			return nil, fmt.Errorf("the pack is cut short or its end was changed: it has %d bytes, and the list of its files, which stands at the end, cannot be read", len(raw))
		}
		return nil, fmt.Errorf("this is not a pack of proof: it is not a ZIP archive")
	}
	var out []Part
	left := int64(most)
	for _, f := range r.File {
		content, err := readFile(f, left)
		if err != nil {
			return nil, err
		}
		left -= int64(len(content))
		out = append(out, Part{f.Name, content})
	}
	return out, nil
}

func readFile(f *zip.File, left int64) ([]byte, error) {
	opened, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%s in the pack cannot be read: the pack was changed", f.Name)
	}
	content, _ := io.ReadAll(io.LimitReader(opened, left+1)) // what is wrong with it, its SHA-256 shows
	_ = opened.Close()
	if int64(len(content)) > left {
		return nil, fmt.Errorf("the pack unfolds to more than %d bytes: it was not made by this program", int64(most))
	}
	return content, nil
}
