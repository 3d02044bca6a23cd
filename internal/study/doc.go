// Package study measures how far the conclusions of infer can be trusted. It
// makes up stations whose true story it knows, streams what their instruments
// and ports would have said into an engine, and scores the events that come out
// against the story.
//
// It owns the invented boards (rig, load, meter, and one function per
// scenario), the truth about them, the scorer and the table. It knows nothing of
// how infer decides: the noise is not the model of any filter (heavy tails,
// correlation, bursts, aliased ripple, glitches of the instrument, errors of
// offset and gain), and the scorer sees only the story and the events.
//
// A job is one station for two hours. Its random numbers come from the set of
// seeds, the scenario and the number of the job alone, so the same job is the
// same whoever runs it and however many run at once.
package study
