// One student's page. It shows what the server says and sends one number back.
"use strict";

const base = "/j/" + document.body.dataset.code;
let seat = "", stop = 0, wanted = 0, shown = "", sending = false, last = null;

// The seat lives in this tab only, so a reload keeps it and closing the tab forgets it.
function remembered() {
  try { return sessionStorage.getItem("seat") || ""; } catch (none) { return ""; }
}
function remember(token) {
  try { sessionStorage.setItem("seat", token); } catch (none) { /* then a reload takes a new seat */ }
}

async function join() {
  seat = remembered();
  while (!seat) {
    const answer = await send(base + "/seat", {});
    if (answer && answer.ok) {
      seat = (await answer.json()).seat;
      remember(seat);
    } else {
      await pause(800 + 800 * Math.random());
    }
  }
  listen(base + "/news?seat=" + encodeURIComponent(seat), show, again);
}

// again listens anew after a refusal. The seat is given up only when the server says that it does not
// know it: a page that asked too often, or is being left, is refused too.
async function again() {
  await pause(500 + 1000 * Math.random());
  const leave = new AbortController();
  try {
    const answer = await fetch(base + "/news?seat=" + encodeURIComponent(seat), {signal: leave.signal});
    if (answer.status === 403) remember("");
    leave.abort();
  } catch (gone) { /* nobody there: the seat may still be good */ }
  join();
}

function show(news) {
  last = news;
  if (news.stop !== stop || news.phase === "playing") {
    stop = news.stop;
    wanted = 0;
  }
  byId("sent").textContent = news.mine ? "Your answer was sent: " + news.mine + "." : "Your answer was not sent.";
  if (news.phase === "playing") return playing(news);
  const key = [news.phase, news.stop, news.mine, wanted].join();
  if (key === shown) return;
  shown = key;
  if (news.phase === "revealed") return revealed(news);
  asking(news);
}

function playing(news) {
  const main = byId("main");
  if (shown !== "playing") {
    shown = "playing";
    main.replaceChildren(element("h1", "", "The session is playing. Look at the screen in front."),
      element("p", "big", news.clock), element("p", "note", "A question will appear here."));
  }
  main.children[1].textContent = news.clock;
}

// asking shows the question, open or closed. What is marked as mine is what the server has; what is
// wanted is on its way.
function asking(news) {
  const open = news.phase === "open", pick = wanted || news.mine;
  const title = element("h1", "", news.asked.text);
  title.id = "question";
  const set = element("fieldset");
  set.setAttribute("aria-labelledby", "question");
  set.disabled = !open;
  news.asked.choices.forEach((text, i) => set.append(line(text, i + 1, pick)));
  const note = element("p", "note");
  if (!open) note.append(element("strong", "", "Closed."), " Look at the screen in front.");
  else if (wanted && wanted !== news.mine) note.append("Sending " + wanted + " ...");
  else if (news.mine) note.append(element("strong", "", "Sent."), " You can change it until the trainer closes.");
  else note.append("Tap one. Nobody sees who chose what.");
  const focused = byId("main").contains(document.activeElement) && document.activeElement.value;
  byId("main").replaceChildren(title, set, note);
  if (focused && open) set.querySelector('input[value="' + focused + '"]').focus();
  announce(note.textContent);
}

function line(text, number, pick) {
  const label = element("label", number === pick ? "choice mine" : "choice");
  const input = element("input");
  input.type = "radio";
  input.name = "choice";
  input.value = number;
  input.checked = number === pick;
  input.addEventListener("change", () => choose(number));
  const badge = element("b", "", number);
  badge.setAttribute("aria-hidden", "true");
  const words = element("span");
  words.append(element("span", "unseen", number + ": "), text);
  label.append(input, badge, words);
  return label;
}

function announce(text) {
  if (byId("said").textContent !== text) byId("said").textContent = text;
}

// choose sends the choice until the server has confirmed it or the question is closed. One request
// is under way at a time; what was chosen last is what counts.
async function choose(number) {
  wanted = number;
  shown = "";
  show(last);
  if (sending) return;
  sending = true;
  while (wanted && last.phase === "open" && wanted !== last.mine) {
    const choice = wanted, question = stop;
    const answer = await send(base + "/answer", {seat: seat, stop: question, choice: choice});
    if (answer && answer.ok && (await answer.json()).received === choice) {
      if (stop === question) last.mine = choice;
    } else if (answer && (answer.status === 409 || answer.status === 403)) {
      break;
    } else {
      await pause(400 + 800 * Math.random());
    }
  }
  wanted = 0;
  sending = false;
  shown = "";
  show(last);
}

function revealed(news) {
  const asked = news.asked, told = element("div", "told"), right = asked.counts[asked.right - 1];
  const all = asked.counts.reduce((a, b) => a + b, 0);
  told.tabIndex = -1;
  told.append(element("h1", "", "\u2713 " + asked.right + ": " + asked.choices[asked.right - 1]));
  let mine = "You did not answer. ";
  if (news.mine) mine = "You chose " + news.mine + ". ";
  told.append(element("p", "", mine + right + " of " + all + " chose " + asked.right + "."));
  const parts = [told];
  if (news.why) {
    const why = element("p", "note");
    why.append(element("strong", "", "Why not " + news.mine + ": "), news.why);
    parts.push(why);
  }
  const reason = element("p", "note");
  reason.append(element("strong", "", "Why " + asked.right + ": "), asked.reason);
  parts.push(reason);
  if (news.plot) parts.push(...plot(news.plot));
  byId("main").replaceChildren(...parts);
  told.focus();
}

// plot draws the moment in question. It comes with the reveal and is nowhere before.
function plot(p) {
  const legend = element("p", "legend");
  legend.append(element("span", "", p.corner), element("span", "p", "bar gauge"), element("span", "h", "mm"));
  const box = element("div", "plot");
  box.append(scale(p.axis.pressureTop, "0"), pane(p, p.p, "p", p.least, "pressure"),
    scale(p.axis.heightTop, p.axis.heightFoot), pane(p, p.h, "h", -1, "height"));
  const ends = element("p", "ends");
  ends.append(element("span", "", p.from), element("span", "", p.to));
  return [legend, box, ends];
}

function scale(top, foot) {
  const s = element("div", "scale");
  s.append(element("span", "", top), element("span", "", foot));
  return s;
}

function pane(p, path, kind, least, name) {
  const svg = drawing("svg", {viewBox: "0 0 1000 100", preserveAspectRatio: "none", role: "img",
    "aria-label": p.corner + ": " + name + " from " + p.from + " to " + p.to});
  if (p.event) svg.append(drawing("rect", {class: "event", x: p.event[0], y: 0, width: Math.max(6, p.event[1] - p.event[0]), height: 100}));
  if (least >= 0) svg.append(drawing("path", {class: "limit", d: "M0 " + (100 - least / 10) + "H1000"}));
  svg.append(drawing("path", {class: "curve " + kind, d: path}));
  return svg;
}

join();
