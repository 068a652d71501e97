"use strict";
// Keeps the page up to date, piece by piece, and says so in big letters when it is not. The page works without it, by
// plain reload.
(function () {
  const STALE_MS = 5000;
  const now = document.getElementById("now");
  const rooms = document.getElementById("rooms");
  const clock = document.getElementById("clock");
  const stale = document.getElementById("stale");
  let heard = Date.now();
  let source = null;

  // What has the focus, and which lists are open, stays so: somebody may be at it.
  function keeping(change) {
    const active = document.activeElement;
    const holder = active && now.contains(active) ? active.closest("[id]") : null;
    const id = holder ? holder.id : "";
    const summary = holder && active.tagName === "SUMMARY";
    const open = Array.from(now.querySelectorAll("details[open]"), (one) => one.id);
    change();
    for (const each of open) {
      const again = document.getElementById(each);
      if (again) again.open = true;
    }
    const there = id ? document.getElementById(id) : null;
    if (there && document.activeElement !== there) (summary ? there.querySelector("summary") : there).focus({ preventScroll: true });
  }

  function take(news) {
    const pieces = news.pieces || {};
    const order = news.rooms || null;
    // Other rooms than those on the page: the site was configured anew.
    const known = order === null || (order.length === rooms.children.length && order.every((id) => document.getElementById(id)));
    if (!known || !Object.keys(pieces).every((id) => document.getElementById(id))) {
      location.reload();
      return;
    }
    keeping(() => {
      for (const [id, markup] of Object.entries(pieces)) document.getElementById(id).outerHTML = markup;
      if (order !== null) for (const id of order) rooms.append(document.getElementById(id));
    });
  }

  function listen() {
    source = new EventSource("/events?view=" + now.dataset.view + "&frame=" + encodeURIComponent(now.dataset.frame));
    source.addEventListener("now", (event) => { heard = Date.now(); now.dataset.frame = event.lastEventId; take(JSON.parse(event.data)); });
    source.addEventListener("tick", (event) => { heard = Date.now(); clock.textContent = event.data; look(); });
    source.addEventListener("anew", () => { source.close(); location.reload(); });
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
