// The page of a recording. It draws what it is sent and works nothing out.
"use strict";

let heardAt = performance.now(), seenAt = "", ended = "", latest;

function show(news) {
  heardAt = performance.now();
  seenAt = new Date().toLocaleTimeString("en-GB");
  ended = news.ended;
  if (!ended) {
    latest = news;
    draw(news);
  }
  aged();
  sounding(ended ? 0 : news.alarm);
}

function draw(news) {
  document.body.classList.remove("blind", "part", "watching");
  document.body.classList.add(news.sight);
  for (const name of ["mode", "state", "origin", "real", "label", "buses", "kept", "lost", "clock", "local", "trouble"]) text(byId(name), news[name]);
  text(byId("written"), news.written && "written " + news.written);
  text(byId("heard"), news.sound && "At the laptop: " + news.sound + ". ");
  byId("losing").classList.toggle("some", news.lost !== "0");
  const causes = news.sight === "watching" && news.proofs ? [news.causes[0] + "; " + news.proofs, ...news.causes] : news.causes;
  firstFit(byId("stage"), [news.stage, news.stage.split(",")[0]], text);
  firstFit(byId("cause"), causes, text);
  band(news);
  news.corners.forEach(c => corner(c, news.axis));
  byId("events").replaceChildren(...news.events.map(line));
}

// text sets a text where it is another one: what did not change is not drawn or read out again.
function text(e, words) {
  words = words || "";
  if (e.textContent !== words) e.textContent = words;
}

const spills = e => e.scrollHeight > e.clientHeight + 1 || e.scrollWidth > e.clientWidth + 1;

// firstFit writes the first of several that fits into an element.
function firstFit(e, all, write) {
  for (const one of all) {
    write(e, one);
    if (!spills(e)) return;
  }
}

let bandKey = "", kind = "", headline = "";

function band(news) {
  const b = news.band, box = byId("band");
  box.className = b.kind + (news.alarm ? " sounding" : "");
  const key = JSON.stringify([b, innerWidth, innerHeight, isBig()]);
  if (key !== bandKey) {
    bandKey = key;
    firstFit(byId("words"), b.layouts, (e, sentences) => e.replaceChildren(...sentences.map((words, i) => sentence(b.sign, words, i))));
  }
  announce(news);
}

// sentence makes a paragraph of which no figure is parted from its unit.
function sentence(sign, words, i) {
  const p = element("p", "", words.replace(/(\d) (bar|mm|s)\b/g, "$1\u00a0$2"));
  if (sign && i === 0) p.prepend(element("span", "tag", sign), " ");
  return p;
}

// announce says to a screen reader what begins, once, and not each figure that changes.
function announce(news) {
  const b = news.band, first = b.sign + " " + b.layouts[0][0];
  if (b.kind === "danger" && first !== headline) text(byId("warned"), first);
  if (b.kind !== "danger") text(byId("warned"), "");
  headline = b.kind === "danger" ? first : "";
  if (kind !== b.kind + news.state + !news.trouble) {
    kind = b.kind + news.state + !news.trouble;
    text(byId("told"), news.state + ", origin " + news.origin + ". " + (news.trouble && news.trouble + ". ") + (b.kind === "danger" ? "" : first));
  }
}

function corner(c, axis) {
  const section = byId(c.id), all = name => section.querySelectorAll('[data-part="' + name + '"]'), part = name => all(name)[0];
  section.classList.toggle("danger", c.danger);
  section.classList.toggle("floor", !c.air);
  text(part("does"), (c.danger ? "!! " : "") + c.does);
  text(part("note"), c.air ? c.note : "no air spring");
  for (const name of ["pressure", "height"]) {
    const v = c[name], rest = part(name + "-rest");
    text(part(name), v.figures);
    part(name).parentElement.classList.toggle("missing", v.missing);
    text(rest, v.rest);
    rest.classList.toggle("missing", v.missing);
  }
  text(part("age"), [c.was, c.age].filter(Boolean).join("; "));
  part("age").classList.toggle("old", !!c.was);
  bellows(all, c);
  part("pressure-line").setAttribute("d", c.p.line);
  part("pressure-gap").setAttribute("d", c.p.gap);
  part("height-line").setAttribute("d", c.h.line);
  part("height-gap").setAttribute("d", c.h.gap);
  part("limit").setAttribute("d", c.least < 0 ? "" : "M0 " + (100 - c.least / 10) + "H1000");
  text(part("top"), "" + c.top);
  text(part("high"), "" + axis.top);
  text(part("low"), "" + axis.foot);
}

function line(e) {
  const item = element("li");
  item.append(element("span", "", e.at), element("b", "", e.word), element("span", "", e.text));
  return item;
}

const lost = { head: byId("covered").textContent, advice: byId("advice").textContent };
const closed = { head: "RECORDING ENDED", advice: "Nothing here is news, and nothing is watched any more. That it ended says nothing of the vehicle: look at the lift." };

// aged says how old the news is, on the page and on its cover, or that no more will come.
function aged() {
  const s = (performance.now() - heardAt) / 1000;
  const why = ended ? closed : lost;
  document.body.classList.toggle("ended", !!ended);
  text(byId("covered"), why.head);
  text(byId("advice"), why.advice);
  text(byId("age"), s.toFixed(1) + " s");
  text(byId("since"), ended ? "It was closed " + ended + "." : seenAt ? "No news since " + seenAt + " local, for " + s.toFixed(0) + " s." : "No news yet.");
}

setInterval(aged, 500);

// A browser makes no sound before somebody tapped. It sounds at once when a danger begins, then every
// five seconds while one lasts that nobody silenced.
const soundEvery = 5000; // ms
let audio, alarm = 0, soundedAt = 0;

function beep() {
  const from = audio.currentTime, gain = audio.createGain(), tone = audio.createOscillator();
  gain.gain.setValueAtTime(0.4, from);
  tone.type = "square";
  tone.frequency.setValueAtTime(880, from);
  tone.frequency.setValueAtTime(660, from + 0.25);
  tone.connect(gain).connect(audio.destination);
  tone.start(from);
  tone.stop(from + 0.5);
}

function sounding(now) {
  const due = now && (now !== alarm || performance.now() - soundedAt > soundEvery);
  alarm = now;
  if (!due || !audio) return;
  soundedAt = performance.now();
  beep();
}

byId("sound").addEventListener("click", async () => {
  audio = audio || new AudioContext();
  await audio.resume();
  audio.onstatechange = tested;
  beep();
  tested();
});

// tested says what became of the test: whether anybody heard it, the page can't know.
function tested() {
  const on = audio.state === "running";
  byId("sound").classList.toggle("untested", !on);
  text(byId("sound"), on ? "Sound played on this screen " + new Date().toLocaleTimeString("en-GB") + ": tap to play again"
    : "SOUND NOT TESTED on this screen: tap to test");
}

function enlarge(on) {
  document.body.classList.toggle("big", on);
  byId("big").setAttribute("aria-pressed", on);
  text(byId("bigger"), on ? "All" : "Big");
  history.replaceState(null, "", on ? "#big" : location.pathname);
  fit();
}

// fit draws anew what was drawn for another size. It is no news: the cover is left alone.
function fit() {
  if (latest) draw(latest);
}

addEventListener("resize", fit);

const isBig = () => document.body.classList.contains("big");
let keysOn = true;

byId("big").addEventListener("click", () => enlarge(!isBig()));
byId("keys").addEventListener("click", () => {
  keysOn = !keysOn;
  byId("keys").setAttribute("aria-pressed", keysOn);
  text(byId("keys"), keysOn ? "Keys: on" : "Keys: off");
});
addEventListener("keydown", e => {
  if (e.ctrlKey || e.altKey || e.metaKey || e.repeat) return;
  if (e.key === "Escape") enlarge(false);
  if (keysOn && e.key.toLowerCase() === "b") enlarge(!isBig());
});

enlarge(location.hash === "#big");
const watch = () => listen("/news", show, () => setTimeout(watch, 2000));
watch();
