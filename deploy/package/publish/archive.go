package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"errors"
	"os"
	"path"
	"path/filepath"
	"time"
)

// modeOf is that of a program or of a document.
func modeOf(name string) int64 {
	if path.Ext(name) == "" && path.Dir(name) == "." || path.Ext(name) == ".exe" {
		return 0o755
	}
	return 0o644
}

// tarball packs the files below a folder into one folder of an archive.
func tarball(dir, inside, to string, at time.Time) error {
	names, err := files(dir)
	if err != nil {
		return err
	}
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err != nil {
		return err
	}
	w := tar.NewWriter(z)
	for _, name := range names {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		if err := put(w, path.Join(inside, name), modeOf(name), data, at); err != nil {
			return err
		}
	}
	if err := errors.Join(w.Close(), z.Close()); err != nil {
		return err
	}
	return os.WriteFile(to, packed.Bytes(), 0o644)
}

// put adds a file of root's to an archive.
func put(w *tar.Writer, name string, mode int64, data []byte, at time.Time) error {
	h := &tar.Header{Name: name, Mode: mode, Size: int64(len(data)), ModTime: at, Format: tar.FormatUSTAR}
	if err := w.WriteHeader(h); err != nil {
		return err
	}
	_, err := w.Write(data)
	return err
}

// zipped is tarball for Windows.
func zipped(dir, inside, to string, at time.Time) error {
	names, err := files(dir)
	if err != nil {
		return err
	}
	var packed bytes.Buffer
	w := zip.NewWriter(&packed)
	for _, name := range names {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		f, err := w.CreateHeader(&zip.FileHeader{Name: path.Join(inside, name), Method: zip.Deflate, Modified: at})
		if err != nil {
			return err
		}
		if _, err := f.Write(data); err != nil {
			return err
		}
	}
	if err := w.Close(); err != nil {
		return err
	}
	return os.WriteFile(to, packed.Bytes(), 0o644)
}
