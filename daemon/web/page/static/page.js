"use strict";
/* Keeps what is shown as the house is: swaps the parts that changed, counts ages up and what is left down, says when
   nothing comes any more. Every room can be read without it. Its words are those of the page, in the reader's language:
   they stand at #offline. */

const offline = document.getElementById("offline");
const words = offline ? offline.dataset : {};

/** A text with its values in the places of their names. */
function filled(text, values) {
  return text.replace(/\{(\w+)\}/g, (place, name) => values[name] ?? place);
}

/** Seconds in words, as the daemon says them (rules/model/formatting.py). */
function duration(seconds) {
  const whole = Math.round(Math.max(seconds, 0));
  if (whole < 100) return `${whole} s`;
  const minutes = Math.round(whole / 60);
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 24) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
  const allHours = Math.round(whole / 3600);
  const days = Math.floor(allHours / 24);
  const rest = allHours % 24;
  const text = rest ? (days === 1 ? words.dayHours : words.daysHours) : days === 1 ? words.day : words.days;
  return filled(text, { n: days, hours: rest });
}

const parts = new Map();
let since = performance.now();

/** Put in the parts (elements with an id, direct or not) that differ; what is equal keeps its place and focus. */
function swap(root, html) {
  const fresh = new DOMParser().parseFromString(html, "text/html");
  for (const part of root.querySelectorAll(":scope [id|=live], :scope [id|=again]")) {
    const next = fresh.getElementById(part.id);
    if (!next || parts.get(part.id) === next.innerHTML) continue;
    if (part.contains(document.activeElement)) continue; /* who is in the middle of it keeps their place */
    parts.set(part.id, next.innerHTML);
    if (part.innerHTML !== next.innerHTML) part.replaceChildren(...next.childNodes);
  }
  since = performance.now();
  count();
}

/** Ages go on, and what is left runs out, between two pictures of the house. */
function count() {
  const gone = (performance.now() - since) / 1000;
  for (const span of document.querySelectorAll("[data-age]")) {
    const age = Number(span.dataset.age) + gone;
    span.textContent = duration(age);
    const row = span.closest("[data-limit]");
    if (row && age > Number(row.dataset.limit) && !row.classList.contains("stale")) {
      row.classList.add("stale");
      row.querySelector(".why").textContent = words.tooOld;
    }
  }
  for (const span of document.querySelectorAll("[data-left]")) {
    span.textContent = duration(Number(span.dataset.left) - gone);
  }
}

function heard() { if (offline) offline.hidden = true; }
function unheard() {
  if (!offline || !offline.hidden) return;
  const clock = document.querySelector("[data-clock]").dataset.clock; /* the home's own */
  offline.textContent = filled(words.unheard, { clock });
  offline.hidden = false;
}

const live = document.getElementById("live");
if (live && live.dataset.stream) {
  const stream = new EventSource(live.dataset.stream);
  stream.addEventListener("now", (event) => {
    const news = JSON.parse(event.data);
    swap(live, news.html);
    const state = document.getElementById("state");
    if (state) { state.textContent = news.state; state.classList.toggle("troubled", news.troubled); }
    heard();
  });
  stream.addEventListener("error", unheard);
  window.addEventListener("pagehide", () => stream.close());
}

const again = document.getElementById("again");
if (again) {
  setInterval(async () => {
    if (document.hidden) return;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const html = await answer.text();
      swap(again, html);
      const state = document.getElementById("state");
      const next = new DOMParser().parseFromString(html, "text/html").getElementById("state");
      if (state && next) state.replaceWith(next);
      heard();
    } catch { unheard(); }
  }, Number(again.dataset.againS) * 1000);
}

const trial = document.getElementById("trial");
async function follow() {
  if (!trial || !trial.dataset.again) return;
  try {
    const answer = await fetch(`${trial.dataset.again}?part=1`);
    if (!answer.ok) { location.reload(); return; }
    trial.innerHTML = await answer.text();
    if (answer.headers.get("X-Ended") === "yes") { delete trial.dataset.again; return; }
  } catch { /* the daemon may be starting again: ask once more */ }
  setTimeout(follow, 700);
}
if (trial) setTimeout(follow, 400);

if (document.querySelector("[data-age], [data-left]")) setInterval(count, 1000);
