"use strict";
// Shows what the events say. It asks for nothing, stores nothing and sends nothing.

const COVERED_AFTER = 8000;
const ANEW_AFTER = 20000;
const MINUTE = 60000;
const SVG = "http://www.w3.org/2000/svg";
const byId = (id) => document.getElementById(id);
const rows = new Map();
let source = null;
// By the guard's clock less ours.
let offset = 0;
let heard = null;
let triedAt = 0;
let refused = "";
let title = "Idlegate";
let slot = MINUTE;
let slots = 360;
// A plot that has just begun is as wide as this.
const SLOTS_LEAST = 15;

const guardNow = () => Date.now() + offset;
const two = (number) => String(number).padStart(2, "0");

function clock(at, seconds) {
  const time = new Date(at);
  const minute = `${two(time.getHours())}:${two(time.getMinutes())}`;
  return seconds ? `${minute}:${two(time.getSeconds())}` : minute;
}

function day(at) {
  const time = new Date(at);
  const today = new Date(guardNow()).toDateString() === time.toDateString();
  return today ? "" : `${time.toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short" })} `;
}

// "2 h 10 min"
function lasting(millis) {
  const minutes = Math.floor(millis / MINUTE);
  if (minutes < 1) return "less than a minute";
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
  return `${Math.floor(hours / 24)} d ${hours % 24} h`;
}

const seconds = (until) => Math.max(0, Math.ceil((until - guardNow()) / 1000));
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function make(kind, className, parent) {
  const made = document.createElement(kind);
  if (className) made.className = className;
  if (parent) parent.append(made);
  return made;
}

// Only what differs is written, or a screen reader would lose its place.
function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function list(element, texts, makeItem) {
  const key = JSON.stringify(texts);
  if (element.dataset.key === key) return;
  element.dataset.key = key;
  element.replaceChildren(...texts.map(makeItem));
}

// --- a machine -----------------------------------------------------------------------------------------------------

function newRow(name) {
  const item = make("li");
  const row = make("article", "row", item);
  const id = `machine-${name}`;
  row.setAttribute("aria-labelledby", id);
  make("div", "band", row).setAttribute("aria-hidden", "true");
  const say = make("div", "say", row);
  const heading = make("h3", "", say);
  heading.id = id;
  const parts = { title: make("b", "", heading), rest: make("span", "", heading) };
  const lasts = make("p", "lasts", say);
  const windowBox = make("div", "window", say);
  const windowText = make("p", "", windowBox);
  const progress = make("progress", "", windowBox);
  progress.setAttribute("aria-label", "Time left to force it off");
  const notes = make("ul", "notes", say);
  const details = make("details", "", say);
  const summary = make("summary", "", details);
  summary.append("What this rests on");
  const whose = make("span", "unseen", summary);
  const evidence = make("ul", "", details);
  const figure = make("figure", "plot", row);
  const picture = document.createElementNS(SVG, "svg");
  picture.setAttribute("viewBox", "0 0 180 60");
  picture.setAttribute("preserveAspectRatio", "none");
  picture.setAttribute("role", "img");
  figure.append(picture);
  const caption = make("figcaption", "", figure);
  return {
    item, row, parts, lasts, windowBox, windowText, progress, notes, whose, evidence, picture, caption,
    card: null, plot: new Map(), windowUntil: null, windowFrom: 0,
  };
}

function place(row) {
  const after = [...byId("rows").children].find((other) => {
    const card = rows.get(other.dataset.name)?.card;
    return other !== row.item && card && card.title.localeCompare(row.card.title) > 0;
  });
  if (row.item.nextSibling !== (after ?? null) || !row.item.parentNode) byId("rows").insertBefore(row.item, after ?? null);
}

function showCard(card) {
  let row = rows.get(card.name);
  if (!row) {
    row = newRow(card.name);
    row.item.dataset.name = card.name;
    rows.set(card.name, row);
  }
  const moved = row.card?.title !== card.title;
  row.card = card;
  if (moved) place(row);
  row.row.dataset.stands = card.stands;
  const named = card.sentence.startsWith(card.title);
  write(row.parts.title, named ? card.title : "");
  write(row.parts.rest, named ? card.sentence.slice(card.title.length) : card.sentence);
  write(row.whose, `: ${card.title}`);
  list(row.evidence, card.evidence, (text) => {
    const item = make("li");
    item.textContent = text;
    return item;
  });
  if (card.window_until !== row.windowUntil) {
    row.windowUntil = card.window_until;
    row.windowFrom = guardNow();
  }
  draw(row);
  tickRow(row);
}

// What stands under the sentence, urgent first.
function notesOf(card) {
  const notes = card.incidents.map((text) => ({ text, urgent: true }));
  const say = (text) => notes.push({ text, urgent: false });
  if (card.quiet) say("Nothing has been heard of it for more than 30 s, so this may be old.");
  for (const note of card.notes) say(`${capital(note)}.`);
  if (card.off_at !== null) {
    say(`Will be switched off in ${seconds(card.off_at)} s, as ${card.off_by} asked, unless somebody cancels.`);
  } else if (card.off_by !== null) {
    say(`Will be switched off as soon as it is idle, as ${card.off_by} asked.`);
  }
  if (card.stands === "working" && card.clears_at !== null && card.clears_at > guardNow() + MINUTE) {
    say(`Not idle before ${clock(card.clears_at)}.`);
  }
  if (card.next !== null) say(`The schedule ${card.next[1]} asks for ${card.next[2]} at ${day(card.next[0])}${clock(card.next[0])}.`);
  if (card.shadow) say("Shadow mode: decisions are recorded, but nothing is switched.");
  return notes;
}

function lastsOf(card) {
  const millis = guardNow() - card.since;
  if (!card.at_least) return `For ${lasting(millis)}.`;
  return millis < MINUTE ? "Idlegate has just begun to watch it." : `For at least ${lasting(millis)}.`;
}

function tickRow(row) {
  const card = row.card;
  write(row.lasts, lastsOf(card));
  const left = card.window_until === null ? 0 : seconds(card.window_until);
  row.windowBox.hidden = left === 0;
  if (left > 0) {
    write(row.windowText, `${card.stands === "off" ? "" : "Stays on. "}Can be forced off for ${left} s.`);
    row.progress.max = Math.max(1, card.window_until - row.windowFrom);
    row.progress.value = Math.max(0, card.window_until - guardNow());
  }
  list(row.notes, notesOf(card), (note) => {
    const item = make("li", note.urgent ? "urgent" : "");
    if (note.urgent) markUrgent(item);
    item.append(note.text);
    return item;
  });
}

// --- its draw ------------------------------------------------------------------------------------------------------

function remember(row) {
  const watts = row.card?.watts ?? null;
  if (watts === null) return;
  const now = Math.floor(guardNow() / slot);
  row.plot.set(now, Math.max(row.plot.get(now) ?? watts, watts));
  for (const old of row.plot.keys()) if (old <= now - slots) row.plot.delete(old);
}

function plotOf(drawn) {
  const points = (drawn?.watts ?? []).map((watts, index) => [drawn.from + index, watts]);
  return new Map(points.filter(([, watts]) => watts !== null));
}

const watt = (watts) => `${watts >= 100 ? Math.round(watts) : Math.round(watts * 10) / 10} W`;

function element(kind, className, attributes) {
  const made = document.createElementNS(SVG, kind);
  made.setAttribute("class", className);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function draw(row) {
  remember(row);
  const last = Math.floor(guardNow() / slot);
  const points = [...row.plot].filter(([at]) => at > last - slots && at <= last).sort(([one], [other]) => one - other);
  row.picture.toggleAttribute("hidden", points.length === 0);
  if (points.length === 0) {
    write(row.caption, "No draw known in the last 6 h.");
    row.picture.setAttribute("aria-label", "No draw known in the last 6 h.");
    return;
  }
  const top = points.reduce((most, [, watts]) => Math.max(most, watts), 0);
  const shown = Math.max(SLOTS_LEAST, last - points[0][0] + 1);
  const y = (watts) => (58 - (54 * watts) / Math.max(top, 1)).toFixed(1);
  const x = (at) => ((180 * (at - last + shown - 1)) / shown).toFixed(1);
  let area = "";
  let curve = "";
  for (let from = 0; from < points.length; ) {
    let until = from + 1;
    while (until < points.length && points[until][0] - points[until - 1][0] < 3) until += 1;
    const run = points.slice(from, until);
    // A step for each slot, as wide as it lasts.
    const line = run.map(([at, watts], index) => `${x(at)} ${y(watts)}L${x(run[index + 1]?.[0] ?? at + 1)} ${y(watts)}`).join("L");
    curve += `M${line}`;
    area += `M${x(run[0][0])} 58L${line}L${x(run[run.length - 1][0] + 1)} 58Z`;
    from = until;
  }
  const hour = (60 * MINUTE) / slot;
  const hours = [];
  for (let back = hour; back < shown; back += hour) hours.push(element("line", "hour", { x1: x(last - back), x2: x(last - back), y1: 4, y2: 58 }));
  row.picture.replaceChildren(
    ...hours,
    element("path", "area", { d: area }),
    element("path", "curve", { d: curve }),
    element("line", "floor", { x1: 0, x2: 180, y1: 58, y2: 58 }),
  );
  const now = row.card.watts === null ? "Draw not known now" : `${watt(row.card.watts)} now`;
  const known = lasting((last - points[0][0] + 1) * slot);
  const told = `${now}, ${watt(top)} at most in the last ${known}`;
  write(row.caption, told);
  row.picture.setAttribute("aria-label", `Draw of ${row.card.title}: ${told}.`);
}

// --- the workshop --------------------------------------------------------------------------------------------------

function showShop(frame) {
  write(byId("headline"), frame.headline);
  byId("alerts").hidden = frame.alerts.length === 0;
  list(byId("alert-list"), frame.alerts, (text) => {
    const item = make("li");
    const mark = make("span", "alert-mark", item);
    mark.textContent = "!";
    mark.setAttribute("aria-hidden", "true");
    item.append(text);
    return item;
  });
}

// For the eye: the class beside it and the sentence say it, too.
function markUrgent(parent) {
  const mark = make("span", "mark", parent);
  mark.textContent = "!";
  mark.setAttribute("aria-hidden", "true");
}

function entry(told) {
  const item = make("li", told.urgent ? "urgent" : "");
  const time = make("time", "", item);
  time.dateTime = new Date(told.at).toISOString();
  time.textContent = `${day(told.at)}${clock(told.at, true)}`;
  const text = make("span", "", item);
  if (told.urgent) markUrgent(text);
  text.append(told.sentence);
  return item;
}

const ENTRIES_MAX = 12;

const took = {
  whole(frame) {
    [slot, slots] = [frame.slot_ms, frame.slots];
    title = frame.title;
    write(byId("title"), title);
    const names = new Set(frame.machines.map((card) => card.name));
    for (const [name, row] of rows) {
      if (names.has(name)) continue;
      row.item.remove();
      rows.delete(name);
    }
    for (const card of frame.machines) {
      showCard(card);
      const row = rows.get(card.name);
      row.plot = plotOf(frame.plots[card.name]);
      draw(row);
    }
    byId("entries").replaceChildren(...frame.lately.map(entry));
    byId("nothing-lately").hidden = frame.lately.length > 0;
    showShop(frame);
  },
  changed(frame) {
    frame.machines.forEach(showCard);
    for (const told of frame.lately) {
      byId("entries").prepend(entry(told));
      write(byId("said"), told.sentence);
    }
    while (byId("entries").children.length > ENTRIES_MAX) byId("entries").lastChild.remove();
    byId("nothing-lately").hidden = byId("entries").children.length > 0;
    showShop(frame);
  },
  beat() {
    rows.forEach(draw);
  },
};

function take(kind, event) {
  const frame = JSON.parse(event.data);
  offset = frame.now - Date.now();
  heard = { monotonic: performance.now(), wall: Date.now() };
  refused = "";
  took[kind](frame);
  cover();
}

// --- whether any of it is true ---------------------------------------------------------------------------------------

// Of the two clocks one stands still while the computer sleeps.
const silence = () => (heard ? Math.max(performance.now() - heard.monotonic, Date.now() - heard.wall) : Infinity);

function cover() {
  const live = silence() < COVERED_AFTER;
  byId("page").inert = !live;
  document.title = live ? `${title}: live` : "Not live";
  if (live) {
    byId("cover").hidden = true;
    write(byId("heard"), `Live, ${clock(guardNow(), true)}`);
    return;
  }
  write(byId("cover-title"), heard ? "Not live" : "Not live yet");
  const since = heard ? `Nothing has been heard from Idlegate since ${clock(heard.wall, true)}. What stood here may no longer be true.` : "Waiting for Idlegate.";
  write(byId("cover-why"), `${refused || since} This page tries again by itself.`);
  byId("cover").hidden = false;
}

function connect() {
  source?.close();
  triedAt = performance.now();
  source = new EventSource("events");
  for (const kind of Object.keys(took)) source.addEventListener(kind, (event) => take(kind, event));
  source.addEventListener("full", (event) => {
    refused = JSON.parse(event.data).why;
    source.close();
    cover();
  });
}

function tick() {
  cover();
  rows.forEach(tickRow);
  if (silence() > ANEW_AFTER && performance.now() - triedAt > ANEW_AFTER) connect();
  else if (source.readyState === EventSource.CLOSED && performance.now() - triedAt > 5000) connect();
}

connect();
setInterval(tick, 500);
document.addEventListener("visibilitychange", tick);
window.addEventListener("pageshow", tick);
