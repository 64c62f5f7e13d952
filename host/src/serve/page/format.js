// Numbers and times for people, and elements without HTML in strings: whatever a store holds stays text.

const PREFIXES = [[1e12, "T"], [1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"], [1e-12, "p"]];

/** Three digits and a prefix: "2.1 mA". Null is "–". */
export function si(value, unit) {
  if (value === null || value === undefined || Number.isNaN(value)) return "–";
  if (value === 0) return `0 ${unit}`;
  const size = Math.abs(value);
  const [scale, prefix] = PREFIXES.find(([scale]) => size >= scale * 0.9995) ?? PREFIXES.at(-1);
  const text = String(Number((value / scale).toPrecision(3)));
  return `${text.replace("-", "−")} ${prefix}${unit}`;
}

/** "2026-05-03 14:20:00 UTC", with seconds only where `seconds`. */
export function utc(us, seconds = true) {
  if (us === null || us === undefined) return "–";
  const text = new Date(us / 1000).toISOString();
  return `${text.slice(0, 10)} ${text.slice(11, seconds ? 19 : 16)} UTC`;
}

/** Microseconds as "3 s", "5 min", "2 h", "4 days". */
export function span(us) {
  const s = us / 1e6;
  for (const [length, word] of [[86400, "days"], [3600, "h"], [60, "min"]]) {
    if (s >= 2 * length) return `${Math.round(s / length)} ${word}`;
  }
  return s < 1 ? `${Math.round(s * 1000)} ms` : `${Math.round(s)} s`;
}

/** An element: h("p", {class: "quiet"}, "text", other). */
export function h(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export const byId = (id) => document.getElementById(id);

/** Sets text only where it changed: what reads the page aloud is not disturbed. */
export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Sign and class of an urgency, told apart without colour. */
export const URGENCY = {
  danger: ["■", "danger"],
  "look at it": ["▲", "look"],
  waiting: ["○", "wait"],
  watching: ["·", "fine"],
};

/** JSON from the server; an error carries the server's own line. */
export async function ask(path, signal) {
  const answer = await fetch(path, { signal, headers: { accept: "application/json" } });
  const body = await answer.json().catch(() => ({ error: `the server answered ${answer.status} and no JSON` }));
  if (!answer.ok) throw new Error(body.error ?? `the server answered ${answer.status}`);
  return body;
}
