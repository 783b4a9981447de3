package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"

	"github.com/opencontainers/go-digest"
	"github.com/opencontainers/image-spec/specs-go"
	oci "github.com/opencontainers/image-spec/specs-go/v1"
)

// nobody is the user in the image.
const nobody = 65532

// image makes a container image of the programs for Linux, in the OCI layout: two static programs and a folder for
// what they keep, and no shell.
func (r *release) image() error {
	built, err := filepath.Glob(filepath.Join(r.built, "linux_*"))
	if err != nil || len(built) == 0 {
		return err
	}
	dir := filepath.Join(r.dest, "image")
	if err := os.MkdirAll(filepath.Join(dir, "blobs/sha256"), 0o755); err != nil {
		return err
	}
	index := oci.Index{Versioned: specs.Versioned{SchemaVersion: 2}, MediaType: oci.MediaTypeImageIndex}
	for _, from := range built {
		d, err := r.platform(dir, from)
		if err != nil {
			return err
		}
		index.Manifests = append(index.Manifests, d)
	}
	all, err := blob(dir, oci.MediaTypeImageIndex, index)
	if err != nil {
		return err
	}
	all.Annotations = map[string]string{oci.AnnotationRefName: r.version}
	top := oci.Index{Versioned: specs.Versioned{SchemaVersion: 2}, MediaType: oci.MediaTypeImageIndex, Manifests: []oci.Descriptor{all}}
	text, err := json.Marshal(top)
	return errors.Join(err, os.WriteFile(filepath.Join(dir, "index.json"), text, 0o644),
		os.WriteFile(filepath.Join(dir, oci.ImageLayoutFile), []byte(`{"imageLayoutVersion":"`+oci.ImageLayoutVersion+`"}`), 0o644))
}

// platform is the image for one processor.
func (r *release) platform(dir, from string) (oci.Descriptor, error) {
	_, processor, _ := strings.Cut(filepath.Base(from), "_")
	on := oci.Platform{OS: "linux", Architecture: processor}
	if processor == "armv7" {
		on.Architecture, on.Variant = "arm", "v7"
	}
	var plain, packed bytes.Buffer
	w := tar.NewWriter(&plain)
	data := &tar.Header{Typeflag: tar.TypeDir, Name: "data/", Mode: 0o700, Uid: nobody, Gid: nobody, ModTime: r.at}
	if err := w.WriteHeader(data); err != nil {
		return oci.Descriptor{}, err
	}
	for _, name := range []string{"muster", "muster-hub"} {
		program, err := os.ReadFile(filepath.Join(from, name))
		if err := errors.Join(err, put(w, name, 0o755, program, r.at)); err != nil {
			return oci.Descriptor{}, err
		}
	}
	z := gzip.NewWriter(&packed)
	err := w.Close()
	_, err2 := z.Write(plain.Bytes())
	if err := errors.Join(err, err2, z.Close()); err != nil {
		return oci.Descriptor{}, err
	}
	layer, err := raw(dir, oci.MediaTypeImageLayerGzip, packed.Bytes())
	if err != nil {
		return oci.Descriptor{}, err
	}
	config, err := blob(dir, oci.MediaTypeImageConfig, oci.Image{Created: &r.at, Platform: on,
		Config: oci.ImageConfig{User: "65532:65532", Entrypoint: []string{"/muster-hub"}, Cmd: []string{"run"},
			Env: []string{"MUSTER_HUB_DATA=/data"}, Volumes: map[string]struct{}{"/data": {}}},
		RootFS: oci.RootFS{Type: "layers", DiffIDs: []digest.Digest{digest.FromBytes(plain.Bytes())}}})
	if err != nil {
		return oci.Descriptor{}, err
	}
	d, err := blob(dir, oci.MediaTypeImageManifest, oci.Manifest{Versioned: specs.Versioned{SchemaVersion: 2},
		MediaType: oci.MediaTypeImageManifest, Config: config, Layers: []oci.Descriptor{layer}})
	d.Platform = &on
	return d, err
}

// blob keeps a value as JSON under its digest.
func blob(dir, kind string, v any) (oci.Descriptor, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return oci.Descriptor{}, err
	}
	return raw(dir, kind, text)
}

// raw keeps bytes under their digest.
func raw(dir, kind string, data []byte) (oci.Descriptor, error) {
	d := oci.Descriptor{MediaType: kind, Digest: digest.FromBytes(data), Size: int64(len(data))}
	return d, os.WriteFile(filepath.Join(dir, "blobs/sha256", d.Digest.Encoded()), data, 0o644)
}
