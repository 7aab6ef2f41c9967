"use strict";
/* Rectangles of the picture that are to be covered: drawn on it or typed, for all or part of the time.

   makeMasks(desk) with desk = { recording, masks, show, now() } gives { open(on), draw(ns) }. */

function makeMasks(desk) {
  const { width, height, length_ns: length } = desk.recording;
  const layer = byId("mask-layer"), panel = byId("masks");
  let masks = desk.masks.map((mask) => ({ ...mask })), from = null, drawing = null, on = false, now = 0;
  const inside = (value, most) => Math.min(most, Math.max(0, Math.round(value)));

  async function keep(words) {
    render();
    const answer = await askServer("masks", { masks }).catch(() => null);
    const data = answer ? await answer.json().catch(() => ({})) : {};
    const told = answer?.ok ? `${words}; kept in ${data.name}` : `Not kept: ${data.trouble || "the server does not answer"}`;
    byId("masks-told").textContent = told;
  }

  const words = (mask) => `${mask.width} × ${mask.height} px at ${mask.x}, ${mask.y}`;
  const when = (mask) => mask.start_ns === null ? "the whole recording"
    : `${desk.show(mask.start_ns, 1)} – ${desk.show(mask.end_ns, 1)}`;

  function add(box) {
    const mask = { ...box, start_ns: null, end_ns: null };
    if (!mask.width || !mask.height) return;
    masks = [...masks, mask];
    keep("Mask added");
  }

  const number = (name, text) => make("label", {}, text,
    make("input", { type: "number", id: `mask-${name}`, min: "0", step: "1", inputmode: "numeric" }));

  panel.append(
    make("div", { class: "panel-head" }, make("h2", { id: "masks-name" }, "Masks")),
    make("p", { class: "soft" }, `Draw over what must not be seen: drag on the picture, or type px of the ${width} × ${height} picture. vidseg deidentify --masks covers them.`),
    make("div", { class: "numbers" }, number("x", "x"), number("y", "y"), number("width", "width"), number("height", "height"),
      button("Add", {}, () => {
        const value = (name) => Number(byId(`mask-${name}`).value);
        const x = inside(value("x"), width - 1), y = inside(value("y"), height - 1);
        add({ x, y, width: inside(value("width"), width - x), height: inside(value("height"), height - y) });
      })),
    make("p", { id: "masks-told", class: "soft", role: "status" }),
    make("ul", { id: "mask-list", class: "scroll", tabindex: "0", "aria-label": "Masks" }));

  function render() {
    byId("mask-list").replaceChildren(...masks.map((mask, i) => make("li", {},
      make("span", {}, make("b", {}, `${i + 1} `), words(mask), make("span", { class: "soft" }, `, ${when(mask)}`)),
      make("span", { class: "mask-deeds" },
        button("From here", { "aria-label": `Mask ${i + 1} from here` }, () => limit(i, desk.now(), mask.end_ns ?? length)),
        button("Until here", { "aria-label": `Mask ${i + 1} until here` }, () => limit(i, mask.start_ns ?? 0, desk.now())),
        button("Always", { "aria-label": `Mask ${i + 1} always`, disabled: mask.start_ns === null }, () => {
          masks[i] = { ...mask, start_ns: null, end_ns: null };
          keep("Mask for the whole recording");
        }),
        button("Delete", { "aria-label": `Delete mask ${i + 1}` }, () => {
          masks = masks.filter((_, k) => k !== i);
          keep("Mask deleted");
        })))));
    draw(now);
  }

  function limit(i, start_ns, end_ns) {
    if (end_ns <= start_ns) {
      byId("masks-told").textContent = "Its end would not be after its start.";
      return;
    }
    masks[i] = { ...masks[i], start_ns, end_ns };
    keep("Time of the mask changed");
  }

  function place(element, box) {
    element.style.left = `${(100 * box.x) / width}%`;
    element.style.top = `${(100 * box.y) / height}%`;
    element.style.width = `${(100 * box.width) / width}%`;
    element.style.height = `${(100 * box.height) / height}%`;
    return element;
  }

  function draw(ns) {
    now = ns;
    if (!on) return layer.replaceChildren();
    const shown = masks.map((mask, i) => [mask, i]).filter(([mask]) =>
      mask.start_ns === null || (mask.start_ns <= ns && ns < mask.end_ns));
    return layer.replaceChildren(...shown.map(([mask, i]) => place(make("i", { class: "mask" }, String(i + 1)), mask)),
      ...(drawing ? [place(make("i", { class: "mask drawn" }), drawing)] : []));
  }

  function spot(event) {
    const box = layer.getBoundingClientRect();
    return [inside(((event.clientX - box.left) / box.width) * width, width), inside(((event.clientY - box.top) / box.height) * height, height)];
  }
  layer.addEventListener("pointerdown", (event) => {
    if (!on || event.button !== 0) return;
    layer.setPointerCapture(event.pointerId);
    from = spot(event);
    event.preventDefault();
  });
  layer.addEventListener("pointermove", (event) => {
    if (!from) return;
    const [x, y] = spot(event);
    drawing = { x: Math.min(x, from[0]), y: Math.min(y, from[1]), width: Math.abs(x - from[0]), height: Math.abs(y - from[1]) };
    draw(now);
  });
  layer.addEventListener("pointerup", () => {
    const box = drawing;
    from = drawing = null;
    if (box && box.width >= 2 && box.height >= 2) add(box);
    else draw(now);
  });
  layer.addEventListener("pointercancel", () => {
    from = drawing = null;
    draw(now);
  });

  return {
    open(open) {
      on = open;
      layer.classList.toggle("on", open);
      render();
    },
    draw,
  };
}
