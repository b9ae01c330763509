// Every page that the program serves: news by server-sent events, the cover, and the drawing of a spring.
"use strict";

const byId = id => document.getElementById(id);

// element makes an element with a class and a text. Texts are never read as markup.
function element(name, kind, text) {
  const e = document.createElement(name);
  if (kind) e.className = kind;
  if (text !== undefined) e.textContent = text;
  return e;
}

function drawing(name, attributes) {
  const e = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const key in attributes) e.setAttribute(key, attributes[key]);
  return e;
}

// uncover takes the cover away for two seconds; cover brings it back at once.
function uncover() {
  const c = document.body.classList, again = c.contains("fresh-a");
  c.toggle("fresh-a", !again);
  c.toggle("fresh-b", again);
}

function cover() {
  document.body.classList.remove("fresh-a", "fresh-b");
}

// A page that slept, or was looked away from, shows nothing until fresh news has come.
document.addEventListener("visibilitychange", cover);
addEventListener("pageshow", cover);

const oldNews = 2000; // ms

// listen calls show with each piece of fresh news. News that took longer than the fastest one by two
// seconds was held up somewhere, and does not count. News of an end shows nothing: it covers at once.
// refused is called when the server does not know us.
function listen(address, show, refused) {
  let fastest = Infinity;
  const source = new EventSource(address);
  source.onopen = () => { fastest = Infinity; };
  source.onmessage = message => {
    const news = JSON.parse(message.data), took = performance.now() - news.t;
    fastest = Math.min(fastest, took);
    if (took - fastest > oldNews) return;
    show(news);
    if (news.ended) cover();
    else uncover();
  };
  source.onerror = () => {
    if (source.readyState === EventSource.CLOSED) {
      cover();
      refused();
    }
  };
  return source;
}

const foot = 132; // where the bellows stands, in its own drawing
const reach = 116; // how far it can stretch

// bellows draws a spring: the plate is the height, the filling is the pressure, the notch the least
// one. All are thousandths, or less than nothing where they are not known. part returns the elements
// of the drawing by their names.
function bellows(part, c) {
  const plate = c.plate < 0 ? 0.6 : 0.2 + 0.8 * c.plate / 1000, top = foot - reach * plate, fold = (foot - top) / 3;
  let d = "M24 " + foot;
  for (let i = 0; i < 3; i++) d += "q-15 " + -fold / 2 + " 0 " + -fold;
  d += "H76";
  for (let i = 0; i < 3; i++) d += "q15 " + fold / 2 + " 0 " + fold;
  d += "Z";
  for (const name of ["clip", "hatch", "outline"]) part(name)[0].setAttribute("d", d);
  const known = c.fill >= 0, level = share => foot - share / 1000 * (foot - top);
  part("fill")[0].setAttribute("y", level(Math.max(c.fill, 0)));
  part("fill")[0].setAttribute("height", foot - level(Math.max(c.fill, 0)));
  part("hatch")[0].setAttribute("visibility", known ? "hidden" : "inherit");
  part("unknown")[0].setAttribute("visibility", known ? "hidden" : "inherit");
  part("unknown")[0].setAttribute("transform", "translate(0 " + ((top + foot) / 2 - 79) + ")");
  part("level")[0].setAttribute("d", c.least < 0 ? "" : "M2 " + level(c.least) + "H14M86 " + level(c.least) + "H98");
  part("plate")[0].setAttribute("d", "M8 " + (top - 3) + "H92");
  part("plate")[0].setAttribute("stroke", c.plate < 0 ? "var(--edge)" : "var(--height)");
  part("plate")[0].setAttribute("stroke-dasharray", c.plate < 0 ? "7 5" : "none");
}
