package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"path"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/archive"
	"linehand/cmd/internal/pack"
	"linehand/transcript/audit"
	"linehand/transcript/handover"
	"linehand/transcript/index"
	"linehand/transcript/replay"
	"linehand/transcript/seal"
)

type findRecords struct {
	Text   string    `query:"text" maxLength:"256" doc:"words that stand in one line, each from its beginning"`
	Unit   string    `query:"unit" maxLength:"128"`
	Serial string    `query:"serial" maxLength:"128"`
	Stage  string    `query:"stage" maxLength:"128"`
	Fact   string    `query:"fact" maxLength:"256" doc:"NAME=TEXT, NAME, or =TEXT"`
	Ending string    `query:"ending" maxLength:"64"`
	Since  time.Time `query:"since"`
	Before time.Time `query:"before"`
	Limit  int       `query:"limit" minimum:"1" maximum:"5000" default:"200"`
}

type atRecord struct {
	Record string `path:"record" maxLength:"512" doc:"file of the record, below the folder of records"`
}

func (s *server) recordOperations() {
	add(s, s.op(access.Audit, http.MethodGet, "/records", "Places in session records that fit, the latest records first; without a query, every record"),
		func(ctx context.Context, _ access.Session, in *findRecords) (*body[[]index.Hit], error) {
			hits, err := s.Archive.Find(ctx, index.Query{Text: in.Text, Unit: in.Unit, Serial: in.Serial, Stage: in.Stage, Fact: in.Fact,
				Ending: in.Ending, Since: in.Since, Before: in.Before, Limit: in.Limit})
			return of(hits), err
		})
	recordOp(s, "/audit", "What was entered, what was planned, what was read back", func(a *archive.Archive, name string) (*audit.Report, error) {
		r, err := a.Audit(name)
		return &r, err
	})
	recordOp(s, "/film", "The record as screens with their times, to be played", func(a *archive.Archive, name string) (*replay.Film, error) {
		return a.Film(name)
	})
	recordOp(s, "/seal", "Whether the record is whole, and sealed by a key that is trusted", func(a *archive.Archive, name string) (*seal.Result, error) {
		return a.Seal(name)
	})
	o := s.op(access.Audit, http.MethodGet, "/records/{record}", "The record itself, byte for byte")
	download(&o, "application/octet-stream")
	add(s, o, s.recordFile)
}

func recordOp[T any](s *server, what, summary string, f func(*archive.Archive, string) (*T, error)) {
	add(s, s.op(access.Audit, http.MethodGet, "/records/{record}"+what, summary), func(_ context.Context, _ access.Session, in *atRecord) (*body[*T], error) {
		v, err := f(s.Archive, in.Record)
		return of(v), err
	})
}

// download documents an answer that is a file.
func download(o *huma.Operation, kind string) {
	o.Responses = map[string]*huma.Response{"200": {Description: "The file", Content: map[string]*huma.MediaType{kind: {Schema: &huma.Schema{Type: "string", Format: "binary"}}}}}
}

// fileWithin is how long sending a file may take.
const fileWithin = 10 * time.Minute

// send sends a file as a download, and closes it.
func send(f io.ReadCloser, name, kind string) *huma.StreamResponse {
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		defer f.Close()
		ctx.SetHeader("Content-Type", kind)
		ctx.SetHeader("Content-Disposition", fmt.Sprintf("attachment; filename=%q", fileName(name)))
		w, _ := ctx.BodyWriter().(http.ResponseWriter)
		if w != nil {
			_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(fileWithin)) // else the usual one holds
		}
		_, _ = io.Copy(ctx.BodyWriter(), f) // whoever is gone does not read it
	}}
}

// fileName is a name that no header and no folder can be hurt by.
func fileName(name string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_.", r) {
			return r
		}
		return '_'
	}, path.Base(name))
}

func (s *server) recordFile(_ context.Context, _ access.Session, in *atRecord) (*huma.StreamResponse, error) {
	f, err := s.Archive.File(in.Record)
	if err != nil {
		return nil, err
	}
	return send(f, in.Record, "application/octet-stream"), nil
}

type makePack struct {
	Body struct {
		Records []string `json:"records" minItems:"1" maxItems:"10000" nullable:"false" doc:"their files, as the list of records names them"`
		Labels  string   `json:"labels,omitempty" pattern:"^[0-9]{1,3}(\\.[0-9])?x[0-9]{1,3}(\\.[0-9])?$" doc:"size of a label in mm, such as 70x37"`
	}
}

// packView is a pack that was made.
type packView struct {
	Name     string          `json:"name"`
	Size     int64           `json:"size"`
	Made     time.Time       `json:"made"`
	Manifest string          `json:"manifest_sha256,omitempty"`
	Files    int             `json:"files,omitempty"`
	Units    int             `json:"units,omitempty"`
	Punch    []handover.Open `json:"punch_list,omitempty"`
}

type atPack struct {
	Pack string `path:"pack" maxLength:"128"`
}

func (s *server) handoverOperations() {
	add(s, s.op(access.Audit, http.MethodPost, "/handover", "Make the pack that stays with the customer"), s.makePack)
	add(s, s.op(access.Audit, http.MethodGet, "/handover", "Packs that were made, the latest first"),
		func(context.Context, access.Session, *empty) (*body[[]packView], error) {
			list, err := s.Archive.Packs()
			views := []packView{}
			for _, k := range list {
				views = append(views, packView{Name: k.Name, Size: k.Size, Made: k.Made})
			}
			return of(views), err
		})
	o := s.op(access.Audit, http.MethodGet, "/handover/{pack}", "A pack as one file")
	download(&o, "application/zip")
	add(s, o, func(_ context.Context, _ access.Session, in *atPack) (*huma.StreamResponse, error) {
		f, err := s.Archive.PackFile(in.Pack)
		if err != nil {
			return nil, err
		}
		return send(f, in.Pack, "application/zip"), nil
	})
}

func (s *server) makePack(ctx context.Context, who access.Session, in *makePack) (*body[packView], error) {
	labels := pack.UsualLabels
	if in.Body.Labels != "" {
		var err error
		if labels, err = pack.ParseLabelSize(in.Body.Labels); err != nil {
			return nil, say(http.StatusUnprocessableEntity, "the size of a label is written WxH in mm, such as 70x37, and fits on A4")
		}
	}
	select {
	case s.packing <- struct{}{}:
		defer func() { <-s.packing }()
	default:
		return nil, say(http.StatusConflict, "another pack is being made; try again when it is done")
	}
	p, err := s.Archive.Make(in.Body.Records, labels)
	if err != nil {
		return nil, err
	}
	k, err := s.Archive.KeepPack(p, time.Now())
	if err != nil {
		return nil, err
	}
	s.Log.Info().Str("person", who.Person.Name).Str("pack", k.Name).Msg("a handover pack was made")
	return of(packView{k.Name, k.Size, k.Made, p.Manifest(), len(p.Files), len(p.Document.Units), p.Document.Punch}), ctx.Err()
}
