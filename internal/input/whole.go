package input

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// WriteFile writes a file whole or not at all, in a folder that is there. What was under its name stays until the new one is on the disk.
func WriteFile(name string, data []byte, mode fs.FileMode) error {
	beside, err := Beside(name, data, mode)
	if err != nil {
		return err
	}
	if err := os.Rename(beside, name); err != nil {
		return errors.Join(err, os.Remove(beside))
	}
	SyncDir(filepath.Dir(name))
	return nil
}

// Beside writes a file to the disk under a name of its own in the folder of name, for which it is meant.
func Beside(name string, data []byte, mode fs.FileMode) (beside string, err error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".muster-*")
	if err != nil {
		return "", err
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err != nil {
		_ = os.Remove(f.Name())
		return "", err
	}
	return f.Name(), nil
}

// SyncDir brings the names in a folder to the disk; systems that cannot are believed, for the files themselves are there.
func SyncDir(dir string) {
	if d, err := os.Open(dir); err == nil {
		_ = d.Sync()
		_ = d.Close()
	}
}
