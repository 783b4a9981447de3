package api

import (
	"bytes"
	"context"
	"io"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/job"
)

type operation = func(id, method, route, summary, tag string, status int, errs ...int) huma.Operation

// jobBody bounds what is put into a job, but for pictures: a signature of thousands of points has half of it.
const jobBody = 128 << 10

// addJobs registers the boat's jobs.
func (s *Server) addJobs(api huma.API, post operation) {
	desk := s.opt.Desk
	short := func(op huma.Operation) huma.Operation { op.MaxBodyBytes = jobBody; return op }
	read(api, "list-jobs", "/jobs", "Jobs, the latest first", "work", func(context.Context, *struct{}) ([]PastJob, error) {
		return desk.PastJobs(), nil
	})
	read(api, "get-job", "/job", "The latest job, and what is to be done next", "work", func(context.Context, *struct{}) (*Job, error) {
		if j := desk.Job(); j != nil {
			return j, nil
		}
		return nil, problem(ErrNoJob)
	}, 404)
	answering(api, short(post("open-job", http.MethodPost, "/job", "Open a job, and take the snapshot before the work", "work", 201, 409, 413)),
		func(ctx context.Context, in *struct{ Body NewJob }) (*Job, error) {
			err := desk.OpenJob(ctx, in.Body)
			return desk.Job(), problem(err)
		})
	answering(api, short(post("act-on-job", http.MethodPost, "/job/acts", "Take the job a step on", "work", 200, 404, 409, 413)),
		func(ctx context.Context, in *struct{ Body JobAct }) (*Job, error) {
			err := desk.ActOnJob(ctx, in.Body)
			return desk.Job(), problem(err)
		})
	answering(api, short(post("add-to-job", http.MethodPost, "/job/entries", "Put an entry of a person into the ledger of the job", "work", 200, 404, 409, 413)),
		func(ctx context.Context, in *struct{ Body JobEntry }) (*Job, error) {
			err := s.AddToJob(ctx, in.Body)
			return desk.Job(), problem(err)
		})
	picture := post("add-picture", http.MethodPost, "/job/pictures", "Put a JPEG or PNG picture into the job, without its place data", "work", 201, 404, 409, 413)
	picture.MaxBodyBytes = job.MaxPicture
	answering(api, picture,
		func(ctx context.Context, in *struct {
			By      string `query:"by" required:"true" minLength:"1" maxLength:"60" doc:"Name of the person who took it."`
			Text    string `query:"text" maxLength:"400" doc:"What it shows."`
			RawBody []byte `contentType:"image/jpeg"`
		}) (PictureName, error) {
			name, err := desk.AddPicture(ctx, in.By, in.Text, in.RawBody)
			return PictureName{name}, problem(err)
		})
	s.file(api, "get-job-file", "/job/file", "A file of the latest job, as its ledger names it", "application/octet-stream", func(ctx context.Context, name string) (io.ReadCloser, error) {
		data, err := desk.JobFile(ctx, name)
		return io.NopCloser(bytes.NewReader(data)), err
	})
	s.file(api, "pack-job", "/job/pack", "A job in one zip file, to hand over; the latest one without a name", "application/zip", func(ctx context.Context, name string) (io.ReadCloser, error) {
		return desk.PackJob(ctx, name)
	})
}

// PictureName is the name of a picture in its job.
type PictureName struct {
	File string `json:"file"`
}

// file registers an operation that answers with the bytes of a file.
func (s *Server) file(
	api huma.API, id, route, summary, kind string, get func(ctx context.Context, name string) (io.ReadCloser, error),
) {
	huma.Register(api, huma.Operation{OperationID: id, Method: http.MethodGet, Path: Prefix + route, Summary: summary, Tags: []string{"work"},
		Errors: []int{401, 404, 422, 501},
		Responses: map[string]*huma.Response{"200": {Description: "The file.",
			Content: map[string]*huma.MediaType{kind: {Schema: &huma.Schema{Type: "string", Format: "binary"}}}}}},
		func(ctx context.Context, in *struct {
			Name string `query:"name" maxLength:"200"`
		}) (*huma.StreamResponse, error) {
			data, err := get(ctx, in.Name)
			if err != nil {
				return nil, problem(err)
			}
			return &huma.StreamResponse{Body: func(ctx huma.Context) {
				defer data.Close()
				ctx.SetHeader("Content-Type", kind)
				ctx.SetHeader("Content-Disposition", "attachment")
				_, _ = io.Copy(ctx.BodyWriter(), data)
			}}, nil
		})
}
