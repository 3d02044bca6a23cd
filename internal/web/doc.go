// Package web owns the pages: what a station looks like to a person, and how it
// gets to the browser. Data flows one way: snapshots are pulled, each becomes a
// Tile by a pure function, and templates turn tiles into HTML. It decides
// nothing about boards and must not know where snapshots come from.
//
// The live page gets its changes by Server-Sent Events. One goroutine, Run,
// renders what changed once for all clients; each client has a bounded queue,
// and one that does not keep up is dropped, counted and logged, never waited
// for. An event "part" carries a rendered element, whose id says what it
// replaces; "time" comes every second with the bench's time of day; "hello"
// tells which assets the server has. There is one stream for every kind of page
// (view): the wall, the list for a phone, one station. Each begins with all that
// its page shows, so a page that reconnects is fresh. Without script the page
// reloads itself.
//
// People's marks go the other way: buttons are plain forms, which are parsed
// here and handed on; script takes them over and uses the interface for
// programs.
package web
