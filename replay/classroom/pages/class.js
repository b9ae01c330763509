// Shared by all pages of a class: news by server-sent events, and the cover.
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
// seconds was held up somewhere, and does not count. refused is called when the server does not know us.
function listen(address, show, refused) {
  let fastest = Infinity;
  const source = new EventSource(address);
  source.onopen = () => { fastest = Infinity; };
  source.onmessage = message => {
    const news = JSON.parse(message.data), took = performance.now() - news.t;
    fastest = Math.min(fastest, took);
    if (took - fastest > oldNews) return;
    uncover();
    show(news);
  };
  source.onerror = () => {
    if (source.readyState === EventSource.CLOSED) {
      cover();
      refused();
    }
  };
  return source;
}

// send posts a form and returns the response, or nothing when there was none.
async function send(address, fields) {
  try {
    return await fetch(address, {method: "POST", body: new URLSearchParams(fields), cache: "no-store"});
  } catch (gone) {
    return undefined;
  }
}

const pause = ms => new Promise(wake => setTimeout(wake, ms));
