// The page of a run. It only shows: nothing it does changes anything. All words come as text and are
// put in as text; nothing is ever read as markup.

const $ = (id) => document.getElementById(id);
const BEAT = 25_000; // ms without a word after which a connection counts as dead; one is due each 10 s
const WAITS = [250, 500, 1000, 2000]; // ms until the next try to connect

let digest = "";
let devices = [];
let rows = [];
let places = [];
let waves = [];
const moving = new Set(); // devices whose time is shown as it runs
let standing = null;
let ahead = 0; // ms by which the tool's clock is ahead of this one

// ---- small things

function made(tag, kind, words) {
  const node = document.createElement(tag);
  if (kind) node.className = kind;
  if (words !== undefined) node.textContent = words;
  return node;
}

function write(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

function setOf(node, name, value) {
  if (node.dataset[name] !== value) node.dataset[name] = value;
}

function show(node, shown) {
  if (node.hidden === shown) node.hidden = !shown;
}

function mark(state) {
  const node = made("span", "mark");
  node.dataset.state = state;
  node.setAttribute("aria-hidden", "true");
  return node;
}

const clock = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const day = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short" });

function timeOf(at) {
  const then = new Date(at);
  const today = new Date().toDateString() === then.toDateString();
  return today ? clock.format(then) : `${day.format(then)}, ${clock.format(then)}`;
}

function lasting(ms) {
  const seconds = Math.max(0, Math.round(ms / 1000));
  if (seconds < 90) return `${seconds}\u00a0s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 90) return `${minutes}\u00a0min`;
  const hours = Math.floor(minutes / 60);
  return minutes % 60 ? `${hours}\u00a0h ${minutes % 60}\u00a0min` : `${hours}\u00a0h`;
}

const plural = (n, one) => `${n} ${one}${n === 1 ? "" : "s"}`;

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
  write(place.count, `${done} of ${place.devices.length}${faulty ? `, ${faulty} to look at` : ""}`);
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

function filter(among = places) {
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
  ["between", "under way"],
  ["fault", "to look at"],
  ["old", "on the old side"],
];

function fact(id, words) {
  write($(id), words);
  show($(`${id}-row`), words !== "");
}

function stand(next) {
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
    whatToDo(next);
    if (before !== null) filter();
  } else if (next.faulty.length) drawFaulty(next);
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

function drawFaulty(next) {
  const list = $("faulty");
  while (list.children.length > next.faulty.length) list.lastChild.remove();
  next.faulty.forEach((i, at) => {
    const device = devices[i];
    let item = list.children[at];
    if (!item) {
      item = made("li");
      item.append(mark(device.state), made("b"), made("span", "state"), made("span", "soft"), made("p", "soft"));
      list.append(item);
    }
    const [shape, name, state, place, words] = item.children;
    setOf(shape, "state", device.state);
    write(name, device.name);
    write(state, ` ${device.label} `);
    write(place, `(${places[device.place].name})`);
    write(words, device.words);
  });
}

function whatToDo(next) {
  const { ending } = next;
  show($("todo"), ending !== null || next.faulty.length > 0);
  setOf($("todo"), "tone", next.faulty.length ? "fault" : ending && ending.done ? "done" : "wait");
  write($("todo-head"), ending && ending.done ? "Done" : "What to do");
  write(
    $("headline"),
    ending ? `${ending.headline}.` : "Nothing yet. What is on its way is still followed; after that it is said here what you can do.",
  );
  drawFaulty(next);
  const reasons = ending ? [...ending.problems.map(([what, remedy]) => (remedy ? `${what}. What to do: ${remedy}` : what)), ...ending.reasons, ...ending.amiss] : [];
  $("reasons").replaceChildren(...reasons.map((words) => made("li", "", words)));
  $("advice").replaceChildren(
    ...(ending ? ending.advice : []).map(([command, what]) => {
      const pair = made("div");
      const term = made("dt");
      term.append(made("code", "command", command));
      pair.append(term, made("dd", "", what));
      return pair;
    }),
  );
  drawMissing(next.missing);
}

// ---- what helps with those that nobody can find: boxes to be ticked on the way

function drawMissing(lines) {
  const box = $("missing");
  box.replaceChildren();
  if (!lines.length) return;
  box.append(made("h3", "", "Getting back those that are adrift"));
  let target = box;
  let list = null;
  for (const [kind, words] of lines) {
    if (kind !== "item" && kind !== "tick") list = null;
    if (kind === "head") {
      target = made("details");
      target.append(made("summary", "", words));
      box.append(target);
    } else if (kind === "name") target.append(made("h4", "", words));
    else if (kind === "command") {
      const line = made("p");
      line.append(made("code", "command", words));
      target.append(line);
    } else if (kind === "text") target.append(made("p", "", words));
    else {
      if (list === null || list.dataset.kind !== kind) {
        list = made(kind === "item" ? "ol" : "ul", kind === "tick" ? "plain" : "");
        list.dataset.kind = kind;
        target.append(list);
      }
      list.append(kind === "tick" ? tick(words) : made("li", "", words));
    }
  }
}

const ticked = new Set();
try {
  for (const words of JSON.parse(sessionStorage.getItem("ticked") || "[]")) ticked.add(words);
} catch {
  // a browser that keeps nothing: then the ticks last as long as the page
}

function tick(words) {
  const item = made("li");
  const label = made("label", "tick");
  const box = made("input");
  box.type = "checkbox";
  box.checked = ticked.has(words);
  box.addEventListener("change", () => {
    if (box.checked) ticked.add(words);
    else ticked.delete(words);
    try {
      sessionStorage.setItem("ticked", JSON.stringify([...ticked]));
    } catch {
      // as above
    }
  });
  label.append(box, made("span", "", words));
  item.append(label);
  return item;
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

function whole(message) {
  const anew = message.digest !== digest || message.devices.length !== devices.length;
  write($("run"), `migrate, run ${message.run}`);
  write($("title"), message.title);
  write($("leg"), message.leg);
  show($("leg"), message.leg !== "");
  if (anew) build(message);
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
  digest = message.digest;
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
  places = message.places.map((name, i) => {
    const node = made("section", "place");
    const head = made("h3", "", name);
    const place = { name, node, devices: [], shown: 0, count: made("span", "count soft"), list: made("ul", "plain") };
    head.id = `place-${i}`;
    node.setAttribute("aria-labelledby", head.id);
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
  $("state").replaceChildren(new Option("all", ""), new Option("those to look at", "!"), ...message.meanings.map(([state]) => new Option(state, state)));
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

function part(message) {
  for (const one of message.devices) Object.assign(devices[one.i], one);
  stand(message.standing);
  take(message.devices);
  message.waves.forEach(drawWave);
  drawRemarks(message.remarks);
}

// ---- the connection

let source = null;
let heard = 0; // when the last word came
let watched = 0; // since when a word is waited for
let seen = 0; // the tool's time of what is shown
let tries = 0;
let again = 0;
let left = false; // the tool has said that it leaves

function line(state, words) {
  setOf(document.querySelector(".beacon"), "line", state);
  setOf(document.body, "line", state);
  write($("line-words"), words);
}

function cut() {
  if (source !== null) source.close();
  source = null;
}

function lost(words) {
  cut();
  const from = seen ? ` What you see is from ${timeOf(seen)}.` : "";
  if (left) line("gone", `migrate is not at work now.${from} When it is again, this page goes on by itself.`);
  else line("lost", `${words || `Not connected${heard ? ` since ${timeOf(heard)}` : ""}.`}${from} It goes on by itself as soon as it can.`);
  clearTimeout(again);
  again = setTimeout(connect, WAITS[Math.min(tries, WAITS.length - 1)]);
  tries += 1;
}

async function ask() {
  // An event source does not tell why it was refused.
  try {
    const { status } = await fetch("/events", { method: "HEAD" });
    if (source === null && status === 403) line("lost", "This browser is not let in any more. Open a fresh link: it stands in the terminal in which migrate is at work.");
  } catch {
    // nobody there
  }
}

function connect() {
  clearTimeout(again);
  cut();
  watched = Date.now();
  const opened = new EventSource("/events");
  source = opened;
  const on = (kind, apply) =>
    opened.addEventListener(kind, (event) => {
      if (source !== opened) return;
      const began = performance.now();
      const message = JSON.parse(event.data);
      heard = watched = Date.now();
      tries = 0;
      left = kind === "gone";
      apply(message);
      seen = message.standing.at;
      const { follows, written } = message.standing;
      if (left) lost();
      else if (follows) line("on", `Connected to the run's journal${written ? `, last written to at ${timeOf(written)}` : ""}`);
      else line("on", "Connected");
      performance.measure(`page ${kind}`, { start: began });
    });
  on("whole", whole);
  on("part", part);
  on("beat", (message) => stand(message.standing));
  on("gone", (message) => stand(message.standing));
  opened.addEventListener("error", () => {
    if (source !== opened) return;
    const refused = opened.readyState === EventSource.CLOSED; // somebody is there, and says no
    lost();
    if (refused) ask();
  });
}

function look() {
  // After the phone slept, or the network was away: do not wait for a timer.
  if (document.visibilityState === "hidden") return;
  if (source === null || source.readyState === EventSource.CLOSED || Date.now() - watched > BEAT) {
    tries = 0;
    connect();
  }
}

document.addEventListener("visibilitychange", look);
window.addEventListener("online", look);
window.addEventListener("offline", () => lost());
window.addEventListener("pageshow", (event) => event.persisted && look());
setInterval(() => {
  if (source !== null && Date.now() - watched > BEAT) lost();
  if (document.visibilityState === "hidden") return;
  for (const device of moving) write(rows[device.i].time, time(device));
}, 1000);

let typing = 0;
$("filter").addEventListener("submit", (event) => event.preventDefault());
$("filter").addEventListener("input", () => {
  clearTimeout(typing);
  typing = setTimeout(filter, 120);
});
document.addEventListener("keydown", (event) => {
  const plain = !event.ctrlKey && !event.metaKey && !event.altKey;
  if (event.key === "/" && plain && !/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) {
    event.preventDefault();
    $("sought").focus();
  } else if (event.key === "Escape" && event.target === $("sought")) {
    $("sought").value = "";
    filter();
  }
});

connect();
