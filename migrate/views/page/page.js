// The page of a run. It only shows: nothing it does changes anything. Here: the connection by which it
// is told (WHATWG HTML standard, "Server-sent events"), and the keys.

import { filter, part, stand, tickOn, whole } from "./picture.js";
import { $, setOf, timeOf, write } from "./words.js";

const BEAT = 25_000; // ms without a word after which a connection counts as dead; one is due each 10 s
const WAITS = [250, 500, 1000, 2000]; // ms until the next try to connect

let source = null;
let watched = 0; // since when a word is waited for, by this clock
let seen = 0; // when the last word came, by the tool's clock
let tries = 0;
let again = 0;
let left = false; // the tool has said that it leaves
// So that the tool knows, of two streams, which one this page has lost.
const page = Array.from(crypto.getRandomValues(new Uint8Array(12)), (octet) => octet.toString(16).padStart(2, "0")).join("");

function line(state, words, more = "") {
  setOf(document.querySelector(".beacon"), "line", state);
  setOf(document.body, "line", state);
  write($("line-words"), words);
  write($("line-more"), more); // seen, but not read out each time
}

// Clocks of phones are set, too: then the wait is over as well.
const silent = () => Math.abs(Date.now() - watched) > BEAT;

function cut() {
  if (source !== null) source.close();
  source = null;
}

function lost(words) {
  cut();
  const from = seen ? ` What you see is from ${timeOf(seen)}.` : "";
  if (left) line("gone", `This page was taken down at ${timeOf(seen)}; what you see is from then. When migrate serves it again, it goes on by itself.`);
  else line("lost", `${words || `Not connected${seen ? ` since ${timeOf(seen)}` : ""}.`}${from} It goes on by itself as soon as it can.`);
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
  const opened = new EventSource(`/events?page=${page}`);
  source = opened;
  const on = (kind, apply) =>
    opened.addEventListener(kind, (event) => {
      if (source !== opened) return;
      const began = performance.now();
      const message = JSON.parse(event.data);
      watched = Date.now();
      tries = 0;
      left = kind === "gone";
      apply(message);
      seen = message.standing.at;
      const { follows, written } = message.standing;
      if (left) lost();
      else if (follows) line("on", "Connected to the run's journal", written ? `, last written to at ${timeOf(written)}` : "");
      else line("on", "Connected");
      performance.measure(`page ${kind}`, { start: began }); // for whoever measures; nothing is kept
      performance.clearMeasures();
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
  if (source === null || source.readyState === EventSource.CLOSED || silent()) {
    tries = 0;
    connect();
  }
}

document.addEventListener("visibilitychange", look);
window.addEventListener("online", look);
window.addEventListener("offline", () => lost());
window.addEventListener("pageshow", (event) => event.persisted && look());
setInterval(() => {
  if (source !== null && silent()) lost();
  // What was seen last gets no older by being looked at.
  if (document.visibilityState === "hidden" || document.body.dataset.line !== "on") return;
  tickOn();
}, 1000);

let typing = 0;
$("filter").addEventListener("submit", (event) => event.preventDefault());
$("filter").addEventListener("input", () => {
  clearTimeout(typing);
  typing = setTimeout(filter, 120);
});
$("sought").addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  $("sought").value = "";
  filter();
});

connect();
