"use strict";
/* The time strip: blocks in rows on one time axis, a playhead, zoom, and keys to move about.

   makeStrip(root, { length, show, go, scrub }) with
     length   length of the axis in ns
     show     (ns) => text of a tick
     go       (button) => called when a block or marker is activated
     scrub    (ns) => called when the axis is pressed or dragged
   gives { setTime(ns), setCurrent(buttons), focusOn(button), refresh() }; call refresh() after buttons came or went. */

const TICKS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400];
const ZOOMS = [1, 2, 4, 8, 16, 32];

/* Minutes and seconds, with hours where the recording has any. */
function clockText(ns, decimals, hours) {
  const unit = 10 ** decimals;
  const whole = Math.round((ns / 1e9) * unit);
  const seconds = Math.floor(whole / unit);
  const tail = decimals ? `.${String(whole % unit).padStart(decimals, "0")}` : "";
  const two = (n) => String(n).padStart(2, "0");
  const minutes = Math.floor(seconds / 60);
  const head = hours ? `${Math.floor(minutes / 60)}:${two(minutes % 60)}` : String(minutes);
  return `${head}:${two(seconds % 60)}${tail}`;
}

function makeStrip(root, { length, show, go, scrub }) {
  const scroller = root.querySelector(".strip-scroll");
  const inner = root.querySelector(".strip-inner");
  const axis = root.querySelector(".axis");
  const playhead = root.querySelector(".playhead");
  const zoomOut = root.querySelector("[data-zoom='-1']");
  const zoomIn = root.querySelector("[data-zoom='1']");
  let rows = [];
  let zoom = 0;

  function refresh() {
    rows = [...root.querySelectorAll("[data-row]")]
      .map((row) => [...row.querySelectorAll("button")])
      .filter((row) => row.length);
    const all = rows.flat();
    const main = rows.find((row) => row[0].closest("[data-main]")) || rows[0];
    if (main) stopAt(all.find((b) => b.tabIndex === 0) || main[0]);
  }

  /* One stop for the Tab key: only the block last used can be reached by it. */
  function stopAt(button) {
    for (const row of rows) for (const other of row) other.tabIndex = -1;
    button.tabIndex = 0;
  }

  function focusOn(button) {
    if (!button) return;
    stopAt(button);
    button.focus();
  }

  function nearest(row, ns) {
    const away = (b) => {
      const start = Number(b.dataset.start), end = Number(b.dataset.end);
      return ns < start ? start - ns : ns >= end ? ns - end + 1 : 0;
    };
    return row.reduce((best, b) => (away(b) < away(best) ? b : best));
  }

  function moveFocus(event) {
    const button = event.target.closest("button");
    const r = rows.findIndex((row) => row.includes(button));
    if (r < 0 || event.altKey || event.ctrlKey || event.metaKey) return;
    const row = rows[r], i = row.indexOf(button);
    const middle = (Number(button.dataset.start) + Number(button.dataset.end)) / 2;
    const beside = (other) => (other ? nearest(other, middle) : undefined);
    const target = {
      ArrowLeft: () => row[i - 1],
      ArrowRight: () => row[i + 1],
      ArrowUp: () => beside(rows[r - 1]),
      ArrowDown: () => beside(rows[r + 1]),
      Home: () => row[0],
      End: () => row[row.length - 1],
    }[event.key];
    if (!target) return;
    event.preventDefault();
    focusOn(target());
  }

  function drawTicks() {
    const most = Math.max(2, Math.floor(inner.clientWidth / 90));
    const step = (TICKS_S.find((s) => length / 1e9 <= s * most) || 14400) * 1e9;
    const ticks = [];
    for (let ns = 0; ns <= length; ns += step) {
      const tick = document.createElement("span");
      tick.textContent = show(ns);
      tick.style.left = `${(100 * ns) / length}%`;
      if (inner.clientWidth * (1 - ns / length) < 50) tick.className = "end";
      ticks.push(tick);
    }
    axis.replaceChildren(...ticks);
  }

  function setZoom(change) {
    const centre = (scroller.scrollLeft + scroller.clientWidth / 2) / inner.clientWidth;
    zoom = Math.min(ZOOMS.length - 1, Math.max(0, zoom + change));
    inner.style.width = `${100 * ZOOMS[zoom]}%`;
    scroller.scrollLeft = centre * inner.clientWidth - scroller.clientWidth / 2;
    zoomOut.disabled = zoom === 0;
    zoomIn.disabled = zoom === ZOOMS.length - 1;
    drawTicks();
  }

  function scrubTo(event) {
    const box = inner.getBoundingClientRect();
    const part = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    scrub(Math.round(part * length));
  }

  root.addEventListener("keydown", moveFocus);
  inner.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    stopAt(button);
    go(button);
  });
  axis.addEventListener("pointerdown", (event) => {
    axis.setPointerCapture(event.pointerId);
    scrubTo(event);
  });
  axis.addEventListener("pointermove", (event) => {
    if (axis.hasPointerCapture(event.pointerId)) scrubTo(event);
  });
  zoomOut.addEventListener("click", () => setZoom(-1));
  zoomIn.addEventListener("click", () => setZoom(1));
  new ResizeObserver(drawTicks).observe(inner);
  for (const button of root.querySelectorAll("[data-row] button")) button.tabIndex = -1;
  refresh();

  return {
    focusOn,
    refresh,
    setTime(ns) {
      playhead.style.left = `${(100 * ns) / length}%`;
      if (zoom === 0) return;
      const x = (ns / length) * inner.clientWidth;
      const left = scroller.scrollLeft, width = scroller.clientWidth;
      if (x < left || x > left + width * 0.95) scroller.scrollLeft = x - width * 0.1;
    },
    setCurrent(buttons) {
      for (const row of rows) {
        for (const b of row) {
          if (buttons.includes(b)) b.setAttribute("aria-current", "true");
          else b.removeAttribute("aria-current");
        }
      }
    },
  };
}
