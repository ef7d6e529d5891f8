// Small things that all of the page uses. Words are put in as text, never as markup.

export const $ = (id) => document.getElementById(id);

export function made(tag, kind, words) {
  const node = document.createElement(tag);
  if (kind) node.className = kind;
  if (words !== undefined) node.textContent = words;
  return node;
}

export function write(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

export function setOf(node, name, value) {
  if (node.dataset[name] !== value) node.dataset[name] = value;
}

export function show(node, shown) {
  if (node.hidden === shown) node.hidden = !shown;
}

export function mark(state) {
  const node = made("span", "mark");
  node.dataset.state = state;
  node.setAttribute("aria-hidden", "true");
  return node;
}

const clock = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const day = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short" });

export function timeOf(at) {
  const then = new Date(at);
  const today = new Date().toDateString() === then.toDateString();
  return today ? clock.format(then) : `${day.format(then)}, ${clock.format(then)}`;
}

export function lasting(ms) {
  const seconds = Math.max(0, Math.round(ms / 1000));
  if (seconds < 90) return `${seconds}\u00a0s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 90) return `${minutes}\u00a0min`;
  const hours = Math.floor(minutes / 60);
  return minutes % 60 ? `${hours}\u00a0h ${minutes % 60}\u00a0min` : `${hours}\u00a0h`;
}

export const plural = (n, one) => `${n} ${one}${n === 1 ? "" : "s"}`;
