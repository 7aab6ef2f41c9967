"use strict";
/* The strip of the marking page: lanes of blocks made from the rows, whose edges can be dragged.

   makeLanes(desk) with desk = { deeds, length, looks, keyOf, state, show, go, scrub, choose, hold,
   drag(row, side, ns, done), heldEdge() } gives { render(rows, second), setTime(ns), addLane(…), drawOver(holes) }. */

const LEVEL_NAMES = {
  event: "Events", phase: "Phases", step: "Steps", task: "Tasks", excluded: "Excluded",
  other: "Other", draft: "Draft",
};
const GRIP_PX = 7;

function makeLanes(desk) {
  const { deeds, length } = desk;
  const root = byId("strip"), lanes = byId("lanes"), names = byId("strip-names");
  const inner = root.querySelector(".strip-inner");
  const percent = (ns) => `${(100 * ns) / length}%`;
  const strip = makeStrip(root, {
    length,
    show: (ns) => desk.show(ns, 0),
    go: (block) => desk.choose(block.dataset.id, { go: true, from: "strip" }),
    scrub: desk.scrub,
  });
  let blocks = new Map(), running = [], now = 0, drawn = [], extra = [];

  const kindOf = (row) => (row.draft ? "draft" : deeds.steps.get(row.label)?.kind || "other");

  function layers(rows) {
    const ends = [];
    return rows.map((row) => {
      let layer = ends.findIndex((end) => end <= row.start_ns);
      if (layer < 0) layer = ends.length;
      ends[layer] = Math.max(deeds.endOf(row), row.start_ns + 1);
      return layer;
    });
  }

  function words(row) {
    const end = deeds.isEvent(row) ? "" : row.end_ns === null ? ", running" : ` to ${desk.show(row.end_ns, 1)}`;
    return `${row.draft ? "Draft: " : ""}${deeds.nameOf(row.label)}, ${desk.show(row.start_ns, 1)}${end}`;
  }

  function block(row, layer, own) {
    const event = deeds.isEvent(row), name = deeds.nameOf(row.label);
    const key = desk.keyOf(row.label);
    const look = event ? "event" : `block ${desk.looks(row.label)}`;
    const open = `${row.open_start ? " open-start" : ""}${row.open_end ? " open-end" : ""}`;
    const held = row.draft ? " to-confirm" : "";
    const times = words(row).slice(words(row).indexOf(name) + name.length);
    const text = [
      row.draft && own ? make("span", { class: "unseen" }, "Draft: ") : null,
      event ? null : make("span", { class: "number", "aria-hidden": "true" }, key ? keyText(key) : "·"),
      make("span", { class: event ? "unseen" : "name" }, name),
      own ? make("span", { class: "unseen" }, times) : null,
    ];
    const element = make(own ? "button" : "span", {
      type: own ? "button" : null, class: `${look}${open}${held}`, title: words(row),
      tabindex: own ? "-1" : null,
    }, ...text);
    element.dataset.start = row.start_ns;
    element.dataset.end = deeds.endOf(row);
    element.style.left = percent(row.start_ns);
    if (event) element.style.top = `calc(${layer} * var(--layer) + 3px)`;
    else {
      element.style.width = percent(deeds.endOf(row) - row.start_ns);
      element.style.top = `calc(${layer} * var(--layer))`;
      if (deeds.isRunning(row)) running.push([element, row.start_ns]);
    }
    if (own) {
      element.dataset.id = row.id;
      blocks.set(row.id, element);
    }
    return element;
  }

  function lane(name, kind, rows, own) {
    const layer = layers(rows);
    const element = make("div", {
      class: `lane row-${kind === "event" ? "event" : "marks"}${kind === "draft" ? " row-draft" : ""}`,
      role: own ? "toolbar" : null, "aria-label": own ? `${name} in time order` : null,
      "aria-hidden": own ? null : "true",
    }, ...rows.map((row, i) => block(row, layer[i], own)));
    if (own) element.dataset.row = kind;
    if (kind === "step" && own) element.dataset.main = "";
    element.style.setProperty("--layers", Math.max(1, ...layer.map((n) => n + 1)));
    const label = make("span", { class: element.classList.contains("row-event") ? "row-event" : "row-marks" }, name);
    label.style.setProperty("--layers", element.style.getPropertyValue("--layers"));
    return [label, element];
  }

  function grouped(rows) {
    const groups = new Map(Object.keys(LEVEL_NAMES).map((kind) => [kind, []]));
    for (const row of inOrder(rows)) if (row.start_ns !== null) groups.get(kindOf(row)).push(row);
    return groups;
  }

  /* `second` is the other annotator's { name, rows } in the compare view, else null. */
  function render(rows, second) {
    const focused = document.activeElement?.closest?.("#lanes [data-id]")?.dataset.id;
    const stop = lanes.querySelector("[data-id][tabindex='0']")?.dataset.id;
    blocks = new Map();
    running = [];
    drawn = [];
    const groups = grouped(rows), theirs = second ? grouped(new Map(second.rows.map((r) => [r.id, r]))) : null;
    for (const [kind, list] of groups) {
      const other = theirs?.get(kind) || [];
      if (list.length || other.length || kind === "step") drawn.push(lane(LEVEL_NAMES[kind], kind, list, true));
      if (other.length) {
        const [label, element] = lane(second.name, kind, other, false);
        element.classList.add("theirs");
        label.title = `${LEVEL_NAMES[kind]} of ${second.name}`;
        drawn.push([label, element]);
      }
    }
    names.replaceChildren(make("span", { class: "row-time" }), ...extra.map(([n]) => n), ...drawn.map(([n]) => n));
    lanes.replaceChildren(...extra.map(([, l]) => l), ...drawn.map(([, l]) => l));
    if (blocks.has(stop)) blocks.get(stop).tabIndex = 0;
    strip.refresh();
    if (focused && blocks.has(focused)) strip.focusOn(blocks.get(focused));
    mark();
    setTime(now);
  }

  function mark() {
    const chosen = desk.state.chosen, held = desk.heldEdge();
    for (const [id, element] of blocks) {
      if (id === chosen) element.setAttribute("aria-current", "true");
      else element.removeAttribute("aria-current");
    }
    byId("edge-line").hidden = held === null;
    if (held !== null) byId("edge-line").style.left = percent(held);
  }

  function setTime(ns) {
    now = ns;
    strip.setTime(ns);
    for (const [element, start] of running) {
      element.style.width = percent(Math.max(ns - start, length / 400));
      element.classList.add("running");
    }
  }

  /* Edges: a press within a few px of one takes hold of it; moving carries it along. */
  let drag = null;
  function grip(event) {
    const element = event.target.closest("#lanes button[data-id]");
    if (!element || event.button !== 0) return null;
    const box = element.getBoundingClientRect(), x = event.clientX;
    if (element.classList.contains("event")) return { id: element.dataset.id, side: "start", x };
    const reach = Math.min(GRIP_PX, box.width / 3);
    if (x - box.left <= reach) return { id: element.dataset.id, side: "start", x };
    if (box.right - x <= reach && !element.classList.contains("running")) {
      return { id: element.dataset.id, side: "end", x };
    }
    return null;
  }
  const nsAt = (event) => {
    const box = inner.getBoundingClientRect();
    return Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)) * length;
  };
  inner.addEventListener("pointerdown", (event) => {
    const found = grip(event);
    if (!found) return;
    drag = { ...found, moved: false };
    inner.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  inner.addEventListener("pointermove", (event) => {
    if (!drag) {
      const over = event.buttons === 0 && grip(event);
      inner.classList.toggle("at-edge", Boolean(over));
      return;
    }
    if (Math.abs(event.clientX - drag.x) > 2) drag.moved = true;
    if (drag.moved) desk.drag(drag.id, drag.side, nsAt(event), event.shiftKey, false);
  });
  const over = (event) => {
    if (!drag) return;
    const { id, side, moved } = drag;
    drag = null;
    if (event.type === "pointercancel") desk.drag(null);
    else if (moved) desk.drag(id, side, nsAt(event), event.shiftKey, true);
    else desk.hold(id, side);
  };
  inner.addEventListener("pointerup", over);
  inner.addEventListener("pointercancel", over);

  return {
    render,
    setTime,
    addLane(name, element, className) {
      extra.push([make("span", { class: className }, name), element]);
    },
    drawOver(spans) {
      byId("over-spans").replaceChildren(...spans.map(([start, end]) => {
        const i = make("i", { class: "hole", title: "not recorded" });
        i.style.left = percent(start);
        i.style.width = percent(end - start);
        return i;
      }));
    },
  };
}
