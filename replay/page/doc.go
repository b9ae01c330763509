// Package page is what every page that the program serves to a browser has in common.
//
//	                 Protect: headers that forbid what no page needs
//	browser <------- Stream:  news by server-sent events, at a steady beat
//	                 page.css: the cover, which is the normal state of a page
//
// The invariant: a page that gets no news for two seconds is covered, whatever it was that failed:
// server, network, script or a sleeping tab. The cover does not come, it comes back: each piece of
// news takes it away for two seconds, and nothing else does. News with a text as ended says that nothing
// follows: it covers at once.
//
// A message carries, as t, the milliseconds of a clock that never steps; a page does not count one
// that was under way for two seconds longer than the fastest.
package page
