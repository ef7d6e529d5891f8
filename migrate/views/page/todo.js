// What is to be done: after a fault, at the end, and to get back devices that nobody can find.

import { $, made, mark, setOf, show, write } from "./words.js";

export function drawFaulty(next, devices, places) {
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

export function whatToDo(next, devices, places) {
  const { ending } = next;
  show($("todo"), ending !== null || next.faulty.length > 0);
  setOf($("todo"), "tone", next.faulty.length ? "fault" : ending && ending.done ? "done" : "wait");
  write($("todo-head"), ending && ending.done ? "Done" : "What to do");
  write(
    $("headline"),
    ending ? `${ending.headline}.` : "Nothing yet. What is on its way is still followed; after that it is said here what you can do.",
  );
  drawFaulty(next, devices, places);
  const reasons = ending ? [...ending.problems.map(([what, remedy]) => (remedy ? `${what}. What to do: ${remedy}` : what)), ...ending.reasons, ...ending.amiss] : [];
  show($("reasons"), reasons.length > 0);
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
      keepOpen(target, words);
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

const opened = new Set();

function keepOpen(details, words) {
  // Drawn anew while somebody reads it, it stays open.
  details.open = opened.has(words);
  details.addEventListener("toggle", () => (details.open ? opened.add(words) : opened.delete(words)));
}

const ticked = new Set();
let run = "";

export function ticksOf(key) {
  // Those of another run are no ticks of this one.
  run = key;
  ticked.clear();
  try {
    const kept = JSON.parse(sessionStorage.getItem("ticked") || "{}");
    if (kept.run === run) for (const words of kept.words) ticked.add(words);
  } catch {
    // a browser that keeps nothing: then the ticks last as long as the page
  }
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
      sessionStorage.setItem("ticked", JSON.stringify({ run, words: [...ticked] }));
    } catch {
      // as above
    }
  });
  label.append(box, made("span", "", words));
  item.append(label);
  return item;
}
