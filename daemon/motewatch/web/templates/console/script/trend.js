// Read-out and zoom over the drawing of a trend; the page is complete without it.
"use strict";
const SVG = "http://www.w3.org/2000/svg";
const figureOf = (value) => (value === null ? "not measured" : value === 0 ? "none" : value >= 100
  ? String(Math.round(value)).replace(/\B(?=(\d{3})+$)/g, " ") : value.toFixed(1));

function enhance(figure) {
  const out = document.createElement("p");
  out.className = "read-out";
  out.setAttribute("role", "status");
  // Which of them is shown, the style sheet says by what the device has: a finger cannot drag here, it scrolls.
  for (const [kind, text] of [["for-finger", "Touch the drawing to read values. To zoom, use the buttons above it."],
    ["for-mouse", "Point at the drawing to read values, drag over it to zoom; or use the arrow keys, + and −."]]) {
    const said = document.createElement("span");
    said.className = kind;
    said.textContent = text;
    out.append(said);
  }
  figure.append(out);
  let series = null;
  const params = new URLSearchParams(location.search);
  const load = async (svg) => {
    if (series) return;
    series = [];
    const ask = new URLSearchParams({ from: new Date(+svg.dataset.from).toISOString(), until: new Date(+svg.dataset.until).toISOString() });
    if (params.get("sizes")) ask.set("sizes", "all");
    try {
      const answer = await fetch(`/api/v1/locations/${encodeURIComponent(figure.dataset.location)}/series?${ask}`);
      if (!answer.ok) throw new Error(String(answer.status));
      series = (await answer.json()).buckets.map((each) => ({ ...each, a: Date.parse(each.start), b: Date.parse(each.end) }));
    } catch {
      series = null;
      out.textContent = "The values cannot be read now. The table below has them.";
    }
  };
  for (const svg of figure.querySelectorAll("svg")) {
    const data = svg.dataset, left = +data.left, right = +data.right, from = +data.from, until = +data.until;
    const make = (name, attributes) => {
      const made = document.createElementNS(SVG, name);
      for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
      svg.append(made);
      return made;
    };
    svg.setAttribute("tabindex", "0");
    const cursor = make("path", { class: "cursor", "stroke-width": "1.5", visibility: "hidden" });
    const chosen = make("rect", { class: "chosen", y: data.top, height: data.bottom - data.top, width: "0", x: "0", visibility: "hidden" });
    const xOf = (time) => left + ((time - from) / (until - from)) * (right - left);
    const timeAt = (event) => {
      const box = svg.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
      return from + (Math.min(right, Math.max(left, x)) - left) / (right - left) * (until - from);
    };
    let at = until, begun = null;
    const show = async (time) => {
      at = Math.min(until, Math.max(from, time));
      cursor.setAttribute("d", `M${xOf(at).toFixed(1)} ${data.top}V${data.bottom}`);
      cursor.setAttribute("visibility", "visible");
      await load(svg);
      if (!series) return;
      const found = series.find((each) => each.a < at && at <= each.b);
      const when = (ms) => new Date(ms).toLocaleString("en-GB", { timeZone: figure.dataset.zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit" });
      if (!found || !found.sizes.length) { out.textContent = `${when(at)}: not measured`; return; }
      const said = found.sizes.map((each) => `≥${each.size_um} µm ${figureOf(each.mean_per_m3)}` +
        (found.samples > 1 ? ` (${figureOf(each.low_per_m3)} to ${figureOf(each.high_per_m3)})` : "") +
        (each.action_per_m3 === null ? "" : `, action ${figureOf(each.action_per_m3)}`));
      out.textContent = `${when(found.a)} to ${when(found.b)}, ${found.occupancy.join(", ").replace("-", " ")}: ${said.join("; ")} per m³`;
    };
    const zoom = (a, b) => {
      if (b - a < 10000) return;
      params.delete("span"); params.delete("before");
      params.set("from", new Date(a).toISOString());
      params.set("until", new Date(b).toISOString());
      location.search = params.toString();
    };
    svg.addEventListener("pointermove", (event) => {
      const time = timeAt(event);
      show(time);
      if (begun !== null) {
        const [a, b] = [begun, time].sort((one, other) => one - other).map(xOf);
        chosen.setAttribute("x", a); chosen.setAttribute("width", b - a);
        chosen.setAttribute("visibility", "visible");
      }
    });
    svg.addEventListener("pointerdown", (event) => { show(timeAt(event)); if (event.pointerType === "mouse" && event.button === 0) { begun = timeAt(event); event.preventDefault(); svg.focus(); } });
    svg.addEventListener("pointerup", (event) => {
      if (begun !== null) { const end = timeAt(event); if (Math.abs(xOf(end) - xOf(begun)) > 6) zoom(Math.min(begun, end), Math.max(begun, end)); }
      begun = null; chosen.setAttribute("visibility", "hidden");
    });
    svg.addEventListener("pointerleave", () => { begun = null; chosen.setAttribute("visibility", "hidden"); });
    svg.addEventListener("keydown", (event) => {
      const step = (until - from) / 100, middle = at;
      if (event.key === "ArrowLeft") show(at - step);
      else if (event.key === "ArrowRight") show(at + step);
      else if (event.key === "+") zoom(middle - (until - from) / 4, middle + (until - from) / 4);
      else if (event.key === "-") zoom(from - (until - from) / 2, until + (until - from) / 2);
      else return;
      event.preventDefault();
    });
  }
}
for (const figure of document.querySelectorAll("figure.trends")) enhance(figure);
