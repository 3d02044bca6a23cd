package infer

import "benchvigil/internal/profile"

// quietLimit is how long a mode may be without movement before that is a
// stall; 0 means for ever.
func (e *Engine) quietLimit(m *profile.Spec) ms { return millis(m.Quiet) }
