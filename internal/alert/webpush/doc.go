// Package webpush owns alerts on the lock screens of phones and computers: Web
// Push (RFC 8030), what is said encrypted for one browser (RFC 8291, RFC 8188)
// and signed as coming from this bench (RFC 8292). It owns which browsers have
// subscribed and when they were last reached, and the way of a phone to
// subscribe, to report and to acknowledge. It must not know why a message is
// sent.
//
// A push service that takes a message has not delivered it. When a message has
// arrived the worker in the browser says so, and only that is shown as arrived.
//
// One message goes to all phones of a person. Those that have it are not tried
// again while the program runs (package partly); after a restart in between a
// phone may get it twice. The second replaces the first there, without ringing
// twice where the first still stands.
package webpush
