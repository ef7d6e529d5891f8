// The picture of the run: how it stands, its waves, its devices. It is drawn once, and then only what
// has changed.

import { drawFaulty, ticksOf, whatToDo } from "./todo.js";
import { $, lasting, made, mark, plural, setOf, show, timeOf, write } from "./words.js";

let drawn = ""; // of which run, by which plan
let devices = [];
let rows = [];
let places = [];
let waves = [];
const moving = new Set(); // devices whose time is shown as it runs
let standing = null;
let ahead = 0; // ms by which the tool's clock is ahead of this one

// ---- devices

function time(device) {
  if (device.since === null) return "";
  return device.moving ? `for\u00a0${lasting(Date.now() + ahead - device.since)}` : `since\u00a0${timeOf(device.since)}`;
}

function addRow(device) {
  const node = made("li", "device");
  const row = { node, mark: mark(device.state), label: made("span", "state"), time: made("span", "time soft") };
  row.words = made("p", "words soft");
  const head = made("p", "head");
  head.append(row.mark, made("b", "name", device.name), " ", row.label, " ", row.time);
  node.append(head, row.words);
  const place = places[device.place];
  place.list.append(node);
  place.devices.push(device);
  rows[device.i] = row;
}

function drawRow(device) {
  const row = rows[device.i];
  setOf(row.mark, "state", device.state);
  setOf(row.node, "state", device.state);
  write(row.label, device.label);
  write(row.time, time(device));
  write(row.words, device.words);
  if (device.moving) moving.add(device);
  else moving.delete(device);
}

function drawPlace(place) {
  const done = place.devices.filter((device) => device.state === "settled" || device.state === "restored").length;
  const faulty = place.devices.filter((device) => needsYou(device)).length;
  write(place.count, `${done} of ${place.devices.length} done${faulty ? `, ${faulty} to decide on` : ""}`);
}

function take(changed) {
  const touched = new Set();
  for (const one of changed) {
    const device = devices[one.i];
    Object.assign(device, one);
    drawRow(device);
    touched.add(places[device.place]);
  }
  for (const place of touched) drawPlace(place);
  if (touched.size) filter(touched);
}

// ---- the filter

const needsYou = (device) => standing !== null && standing.faultySet.has(device.i);

function matcher() {
  const words = $("sought").value.toLowerCase().split(/\s+/).filter(Boolean);
  const state = $("state").value;
  const place = $("place").value;
  return (device) =>
    (state === "" || (state === "!" ? needsYou(device) : device.state === state)) &&
    (place === "" || place === String(device.place)) &&
    words.every((word) => `${device.name} ${places[device.place].name} ${device.words}`.toLowerCase().includes(word));
}

export function filter(among = places) {
  const fits = matcher();
  for (const place of among) {
    place.shown = 0;
    for (const device of place.devices) {
      const shown = fits(device);
      show(rows[device.i].node, shown);
      if (shown) place.shown += 1;
    }
    show(place.node, place.shown > 0);
  }
  const shown = places.reduce((sum, place) => sum + place.shown, 0);
  write($("shown"), shown === devices.length ? "" : `${shown} of ${plural(devices.length, "device")} shown`);
}

// ---- waves

function addWave(wave) {
  const node = made("li", "wave");
  const share = made("span", "share");
  const fill = made("i");
  share.setAttribute("aria-hidden", "true");
  share.append(fill);
  const parts = { node, fill, words: made("span", "soft"), gate: made("span", "gate") };
  node.append(made("b", "", wave.title), share, parts.words, parts.gate);
  $("waves").append(node);
  waves[wave.i] = parts;
}

function drawWave(wave) {
  const parts = waves[wave.i];
  write(parts.words, wave.words);
  write(parts.gate, wave.gate ? `gate ${wave.gate}` : "");
  parts.fill.style.setProperty("inline-size", `${(100 * wave.share[0]) / wave.share[1]}%`);
}

// ---- how it stands, and what to do

const SIDES = [
  ["new", "on the new side"],
  ["between", "on the way"],
  ["fault", "to decide on"],
  ["old", "on the old side"],
];

function fact(id, words) {
  write($(id), words);
  show($(`${id}-row`), words !== "");
}

export function stand(next) {
  const before = standing;
  next.faultySet = new Set(next.faulty);
  standing = next;
  ahead = next.at - Date.now();
  SIDES.forEach(([side, words], i) => {
    $("band").children[i].style.setProperty("flex-grow", String(next.parts[i]));
    const item = $("parts").children[i];
    write(item.lastChild, ` ${next.parts[i]} ${words}`);
    show(item, next.parts[i] > 0 || side === "new");
  });
  write($("how"), next.how);
  fact("left", next.left && `about ${next.left}`);
  fact("waits", next.waits);
  fact("gate", next.gate);
  waves.forEach((parts, i) => {
    if (i === next.wave && !next.ending) parts.node.setAttribute("aria-current", "step");
    else parts.node.removeAttribute("aria-current");
  });
  document.title = `${next.parts[0]} of ${devices.length}: ${$("title").textContent}`;
  if (before === null || JSON.stringify([before.faulty, before.ending, before.missing]) !== JSON.stringify([next.faulty, next.ending, next.missing])) {
    whatToDo(next, devices, places);
    if (before !== null) filter();
  } else if (next.faulty.length) drawFaulty(next, devices, places);
  say(before, next);
}

function say(before, next) {
  // Only what matters is read out: not each step of each device.
  const words = [];
  if (before !== null && next.gate && next.gate !== before.gate) words.push(`Gate ${next.gate}.`);
  if (next.ending && (before === null || JSON.stringify(before.ending) !== JSON.stringify(next.ending))) words.push(`${next.ending.headline}.`);
  else if (next.faulty.some((i) => before === null || !before.faultySet.has(i))) words.push(next.faulty.map((i) => `${devices[i].name} ${devices[i].label}`).join(", "));
  if (words.length) write($("said"), words.join(" "));
}

function drawRemarks(remarks) {
  if (!remarks) return;
  show($("remarks-box"), remarks.length > 0);
  $("remarks").replaceChildren(
    ...[...remarks].reverse().map((remark) => {
      const item = made("li");
      item.append(made("span", "soft", timeOf(remark.at)), " ", made("b", "", remark.name), " ", remark.words);
      return item;
    }),
  );
}

// ---- messages

export function whole(message) {
  // Another run may be served here by now, by the same plan.
  const key = JSON.stringify([message.run, message.digest]);
  const anew = key !== drawn;
  write($("run"), `migrate, run ${message.run}`);
  write($("title"), message.title);
  write($("leg"), message.leg);
  show($("leg"), message.leg !== "");
  if (anew) {
    build(message);
    drawn = key;
    ticksOf(key);
  }
  standing = anew ? null : standing;
  // Standing first: who needs somebody is said there.
  message.devices.forEach((one) => Object.assign(devices[one.i], one));
  stand(message.standing);
  message.waves.forEach(drawWave);
  devices.forEach(drawRow);
  places.forEach(drawPlace);
  filter();
  drawRemarks(message.remarks);
  show($("stand"), true);
  show($("below"), true);
}

function build(message) {
  devices = message.devices;
  rows = [];
  waves = [];
  moving.clear();
  $("places").replaceChildren();
  setOf($("places"), "many", String(devices.length > 200));
  $("waves").replaceChildren();
  $("parts").replaceChildren(
    ...SIDES.map(([side]) => {
      const item = made("li");
      const swatch = made("i", "swatch");
      swatch.dataset.side = side;
      item.append(swatch, "");
      item.append(document.createTextNode(""));
      return item;
    }),
  );
  places = message.places.map((name) => {
    const node = made("div", "place");
    const head = made("h3", "", name);
    const place = { name, node, devices: [], shown: 0, count: made("span", "count soft"), list: made("ul", "plain") };
    const line = made("div", "place-head");
    line.append(head, place.count);
    node.append(line, place.list);
    $("places").append(node);
    return place;
  });
  message.waves.forEach(addWave);
  devices.forEach(addRow);
  $("place").replaceChildren(
    new Option("all", ""),
    ...message.places.map((name, i) => [name, i]).sort(([a], [b]) => a.localeCompare(b)).map(([name, i]) => new Option(name, String(i))),
  );
  $("state").replaceChildren(new Option("all", ""), new Option("those to decide on", "!"), ...message.meanings.map(([state]) => new Option(state, state)));
  $("meanings").replaceChildren(
    ...message.meanings.map(([state, words]) => {
      const pair = made("div");
      const term = made("dt");
      term.append(mark(state), state);
      pair.append(term, made("dd", "", words));
      return pair;
    }),
  );
}

export function part(message) {
  for (const one of message.devices) Object.assign(devices[one.i], one);
  stand(message.standing);
  take(message.devices);
  message.waves.forEach(drawWave);
  drawRemarks(message.remarks);
}

export function tickOn() {
  for (const device of moving) write(rows[device.i].time, time(device));
}
