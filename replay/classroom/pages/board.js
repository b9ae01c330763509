// The projector page, and with the trainer's token its bar. It draws what it is sent and works
// nothing out: what it has not been sent it can't show.
"use strict";

const trainer = document.body.dataset.trainer;
let step = 0, asked = "", refusal = "", refusedAt = 0;

function show(news) {
  step = news.step;
  byId("stage").textContent = news.stage;
  byId("clock").textContent = news.clock;
  const shown = news.corners.map(c => c.corner);
  for (const section of document.querySelectorAll(".corner")) section.hidden = !shown.includes(section.id);
  byId("grid").classList.toggle("four", shown.length > 2);
  byId("main").className = (news.join ? "joining " : "") + (news.asked ? "asking" : "");
  news.corners.forEach(c => corner(c, news));
  strip(news.strip);
  byId("card").hidden = !news.join;
  byId("joined").textContent = news.joined + " joined";
  question(news);
  if (trainer) tools(news);
}

// corner shows one spring: figures, bellows and plots.
function corner(c, news) {
  const section = byId(c.corner), part = name => section.querySelectorAll('[data-part="' + name + '"]');
  part("pressure")[0].textContent = c.pressure;
  part("height")[0].textContent = c.height;
  part("note")[0].textContent = c.note;
  part("note")[0].hidden = !c.note;
  bellows(part, c);
  part("p")[0].setAttribute("d", c.p);
  part("h")[0].setAttribute("d", c.h);
  part("limit")[0].setAttribute("d", c.least < 0 ? "" : "M0 " + (100 - c.least / 10) + "H1000");
  for (const e of part("event")) {
    e.setAttribute("x", c.event ? c.event[0] : 0);
    e.setAttribute("width", c.event ? c.event[1] - c.event[0] : 0);
  }
  section.classList.toggle("marked", !!c.event);
  for (const name of ["pressureTop", "heightTop", "heightFoot"]) {
    section.querySelector('[data-axis="' + name + '"]').textContent = news.axis[name];
  }
  section.querySelector('[data-axis="from"]').textContent = news.from;
  section.querySelector('[data-axis="clock"]').textContent = news.clock;
}

function strip(stages) {
  const list = byId("strip");
  while (list.children.length > stages.length) list.lastChild.remove();
  stages.forEach((s, i) => {
    const item = list.children[i] || list.appendChild(element("li"));
    item.textContent = s.name;
    item.style.left = s.start / 10 + "%";
    item.style.width = s.width / 10 + "%";
    item.classList.toggle("narrow", item.scrollWidth > item.clientWidth + 1);
  });
}

function question(news) {
  const q = news.asked;
  byId("panel").hidden = !q;
  if (!q) return;
  const told = !!q.right;
  byId("panel").classList.toggle("told", told);
  byId("question").textContent = q.text;
  const key = JSON.stringify(q);
  if (key !== asked) {
    asked = key;
    byId("lines").replaceChildren(...q.choices.map((text, i) => choice(q, text, i)));
  }
  byId("reason").textContent = q.reason || "";
  byId("reason").hidden = !told;
  const of = news.answered + " of " + news.joined;
  byId("count").textContent = news.phase === "open" ? of + " have answered" : of + " answered";
  byId("count").parentElement.hidden = told;
  byId("where").hidden = news.phase !== "open";
  byId("panel").classList.remove("tight");
  byId("panel").classList.toggle("tight", byId("panel").scrollHeight > byId("panel").clientHeight + 1);
}

// choice is one line: its number, its text, and from the closing on how many chose it.
function choice(q, text, i) {
  const right = q.right === i + 1, item = element("li", !q.right ? "" : right ? "right" : "wrong");
  item.append(element("b", "", i + 1), element("span", "", text));
  if (q.counts) {
    const all = q.counts.reduce((a, b) => a + b, 0), bar = element("span", "bar"), length = element("i");
    length.style.width = (all ? q.counts[i] / all * 100 : 0) + "%";
    bar.append(length);
    item.append(element("span", "n", (right ? "\u2713 " : "") + q.counts[i]), bar);
  }
  return item;
}

// tools shows where the class is and what may come next.
function tools(news) {
  byId("playing").textContent = news.playing ? "Pause" : "Play";
  byId("skipping").textContent = news.phase === "revealed" ? "Go on" : "Skip";
  byId("speed").textContent = news.speed;
  const may = {ask: news.phase === "due", close: news.phase === "open", reveal: news.phase === "closed",
    skip: news.phase === "due" || news.phase === "revealed"};
  const held = news.phase === "open" || news.phase === "closed";
  for (const b of document.querySelectorAll("[data-do]")) {
    const name = b.dataset.do;
    if (name in may) b.disabled = !may[name];
    else if (["back", "forward", "last-stop", "next-stop"].includes(name)) b.disabled = held;
    else if (name === "play") b.disabled = held || news.phase === "due" || (news.over && !news.playing);
  }
  const words = {playing: news.stop ? "next: stop " + news.stop + " of " + news.stops : "no stop is left",
    due: "held at stop " + news.stop + " of " + news.stops, open: "question open", closed: "answers closed", revealed: "revealed"};
  let text = words[news.phase];
  if (news.phase === "open" || news.phase === "closed") text += ", " + news.answered + " of " + news.joined;
  if (refusal && performance.now() - refusedAt < 4000) text = refusal;
  if (byId("place").textContent !== text) byId("place").textContent = text;
}

async function command(name) {
  const answer = await send("/t/" + trainer + "/do", {command: name, step: step});
  if (!answer || !answer.ok) return;
  const said = await answer.json();
  step = said.step;
  refusal = said.refused || "";
  refusedAt = performance.now();
}

// The trainer's keys. A focused button keeps space and enter; keys can be switched off, for those
// who speak to their machine.
function steer() {
  const byKey = {}, keys = byId("keys");
  let on = true;
  document.body.classList.add("steered");
  for (const b of document.querySelectorAll("[data-do]")) {
    byKey[b.dataset.key] = b;
    b.addEventListener("click", () => command(b.dataset.do));
  }
  byKey["="] = byKey["+"];
  keys.addEventListener("click", () => {
    on = !on;
    keys.setAttribute("aria-pressed", on);
    keys.textContent = on ? "Keys: on" : "Keys: off";
  });
  addEventListener("keydown", e => {
    if (!on || e.ctrlKey || e.altKey || e.metaKey || e.repeat && !e.key.startsWith("Arrow")) return;
    if (e.target.tagName === "BUTTON" && (e.key === " " || e.key === "Enter")) return;
    const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
    if (key === "h") {
      byId("tools").hidden = !byId("tools").hidden;
      document.body.classList.toggle("steered", !byId("tools").hidden);
      return;
    }
    if (!byKey[key]) return;
    e.preventDefault();
    command(byKey[key].dataset.do);
  });
}

listen(document.body.dataset.news, show, () => setTimeout(() => location.reload(), 2000));
if (trainer) steer();
