package app

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"

	"benchvigil/internal/api"
)

// about is what concerns the bench as a whole.
func (a *assembly) about() api.About {
	out := api.About{Bench: a.plan.Bench, Folders: a.plan.folders()}
	if a.keeper != nil {
		s := a.keeper.Standing()
		out.Held, out.Refused = s.Held, s.Refused
	}
	return out
}

// folders are where the record goes, each once.
func (p *Plan) folders() []string {
	out := []string{}
	add := func(name string) {
		if abs, err := filepath.Abs(name); err == nil && !slices.Contains(out, abs) {
			out = append(out, abs)
		}
	}
	if p.Events != "" {
		add(filepath.Dir(p.Events))
	}
	if p.Record != "" {
		add(filepath.Dir(p.Record))
	}
	if p.Data != "" {
		add(p.Data)
	}
	return out
}

// about asks a running daemon for it.
func (c *client) about(ctx context.Context) (api.About, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	res, err := c.do(ctx, http.MethodGet, "/api/v1/bench", nil)
	if err != nil {
		return api.About{}, err
	}
	defer res.Body.Close() //nolint:errcheck // read to its end
	var out api.About
	if err := json.NewDecoder(res.Body).Decode(&out); err != nil {
		return api.About{}, fmt.Errorf("read the daemon's answer: %w", err)
	}
	return out, nil
}
