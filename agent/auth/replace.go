package auth

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
)

// replaceFile replaces a file, readable for its owner only. When it returns, the new one
// is there after a power cut too; before that, either the old or the new one. Several
// processes may replace one file at once.
func replaceFile(path string, raw []byte) error {
	file, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new-*") // it is 0600
	if err != nil {
		return err
	}
	_, err = file.Write(raw)
	err = errors.Join(err, file.Sync(), file.Close())
	if err == nil {
		err = os.Rename(file.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(file.Name()))
	}
	return syncDir(filepath.Dir(path))
}

// syncDir makes the names in a directory durable. Windows does so by itself and cannot be
// asked to.
func syncDir(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
