"use strict";
// Keeps the page up to date, and says so in big letters when it is not. The page works without it, by plain reload.
(function () {
  const STALE_MS = 5000;
  const now = document.getElementById("now");
  const clock = document.getElementById("clock");
  const stale = document.getElementById("stale");
  let heard = Date.now();
  let source = null;

  function show(markup) {
    const focus = document.activeElement && now.contains(document.activeElement) ? document.activeElement.closest("[id]") : null;
    const id = focus ? focus.id : "";
    const summary = focus && document.activeElement.tagName === "SUMMARY";
    const open = Array.from(now.querySelectorAll("details[open]"), (one) => one.id);
    now.innerHTML = markup;
    for (const each of open) {
      const again = document.getElementById(each);
      if (again) again.open = true;
    }
    const there = id ? document.getElementById(id) : null;
    if (there) (summary ? there.querySelector("summary") : there).focus({ preventScroll: true });
  }

  function listen() {
    source = new EventSource("/events?view=" + now.dataset.view);
    source.addEventListener("now", (event) => { heard = Date.now(); show(event.data); });
    source.addEventListener("tick", (event) => { heard = Date.now(); clock.textContent = event.data; look(); });
    source.addEventListener("ended", () => { source.close(); location.reload(); });
  }

  function look() {
    const old = Date.now() - heard > STALE_MS;
    document.body.classList.toggle("old", old);
    stale.hidden = !old;
    if (old) stale.textContent = "STALE: nothing new since " + clock.textContent + ". Do not trust this page.";
    if (source.readyState === EventSource.CLOSED) listen();
  }

  listen();
  setInterval(look, 1000);
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
})();
