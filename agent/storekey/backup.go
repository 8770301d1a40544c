package storekey

import (
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// listBlock is the PEM type of the list in a backup.
const listBlock = "ARCDRIFT KEY LIST"

// Backup writes the private key and the list to one file, which must not exist yet.
func (r *Ring) Backup(to string) error {
	private, err := os.ReadFile(r.path)
	if err != nil {
		return fmt.Errorf("the store's key cannot be read: %w", err)
	}
	list, err := List(r.keys)
	if err != nil {
		return err
	}
	if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is already there; name a new file for the backup of the key", to)
	}
	return writeOwn(to, append(private, pem.EncodeToMemory(&pem.Block{Type: listBlock, Bytes: list})...))
}

// Restore brings a backup of the key to path. A key that is there and another is not
// overwritten. Public keys that only the list at path knows are kept; if the newest of
// them is not the restored one, the restored key would be an old one, which is an error.
func Restore(backup, path string, now time.Time) (*Ring, error) {
	raw, err := os.ReadFile(backup)
	if err != nil {
		return nil, fmt.Errorf("the backup of the key cannot be read: %w", err)
	}
	private, err := parse(raw)
	if err != nil {
		return nil, fmt.Errorf("%s is not the backup of a key: %w", backup, err)
	}
	r := &Ring{path: path, private: private}
	public := hex.EncodeToString(r.Public())
	known, err := readList(listPath(path))
	if err != nil {
		return nil, err
	}
	if len(known) > 0 && known[len(known)-1].Public != public {
		return nil, fmt.Errorf("%s is not the store's key: it has the fingerprint %s, and the store's key has %s. Nothing was changed", backup, Fingerprint(r.Public()), known[len(known)-1].Fingerprint())
	}
	if r.keys = known; len(known) == 0 {
		if r.keys, err = listIn(raw); err != nil {
			return nil, fmt.Errorf("%s is not the backup of a key: %w", backup, err)
		}
	}
	if len(r.keys) == 0 || r.Current().Public != public {
		r.keys = append(r.keys, Key{Public: public, Made: now.UTC().Truncate(time.Second), Because: First})
	}
	block, _ := pem.Decode(raw)
	return r, errors.Join(r.writeList(), writeOwn(path, pem.EncodeToMemory(block)))
}

func listIn(raw []byte) ([]Key, error) {
	for {
		block, rest := pem.Decode(raw)
		if block == nil {
			return nil, nil
		}
		if block.Type == listBlock {
			return parseList(block.Bytes)
		}
		raw = rest
	}
}
