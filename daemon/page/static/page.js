"use strict";
/* Keeps the live part of a page as the house is; without this script the page still shows it. */
const live = document.getElementById("live");
if (live && live.dataset.stream) {
  const stream = new EventSource(live.dataset.stream);
  stream.addEventListener("now", (event) => { live.innerHTML = JSON.parse(event.data).html; });
}
