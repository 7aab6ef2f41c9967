"use strict";
/* Lanes that show the recording itself: what is said, and how loud it is. */

/* One level for each 100 ms; drawn as a mirrored curve. */
function drawLevels(canvas, levels) {
  const width = Math.max(1, Math.round(canvas.clientWidth * devicePixelRatio));
  const height = Math.max(1, Math.round(canvas.clientHeight * devicePixelRatio));
  canvas.width = Math.min(width, 16000);
  canvas.height = height;
  const pen = canvas.getContext("2d");
  pen.fillStyle = getComputedStyle(canvas).color;
  const loudest = levels.reduce((most, value) => Math.max(most, value), 1e-6);
  for (let x = 0; x < canvas.width; x += 1) {
    const from = Math.floor((x * levels.length) / canvas.width);
    const to = Math.max(from + 1, Math.floor(((x + 1) * levels.length) / canvas.width));
    let most = 0;
    for (let i = from; i < to && i < levels.length; i += 1) most = Math.max(most, levels[i]);
    const tall = Math.max(1, Math.sqrt(most / loudest) * height);
    pen.fillRect(x, (height - tall) / 2, 1, tall);
  }
}

function levelsLane() {
  const canvas = make("canvas", { class: "levels", "aria-hidden": "true" });
  const lane = make("div", { class: "lane row-levels" }, canvas);
  let levels = null;
  const draw = () => levels && canvas.clientWidth && drawLevels(canvas, levels);
  new ResizeObserver(draw).observe(canvas);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  /* Fetch the levels; while they are in the making (202) the server tells when they are there. */
  async function load() {
    const answer = await askServer("levels").catch(() => null);
    if (!answer || answer.status !== 200) return false;
    levels = new Float32Array(await answer.arrayBuffer());
    draw();
    return true;
  }
  return { lane, load };
}

function captionsLane(captions, length) {
  const lane = make("div", { class: "lane row-captions", "aria-hidden": "true" });
  for (const { start_ns, end_ns, text } of captions) {
    const span = make("span", { class: "spoken", title: text }, text);
    span.style.left = `${(100 * start_ns) / length}%`;
    span.style.width = `${(100 * (end_ns - start_ns)) / length}%`;
    lane.append(span);
  }
  return lane;
}
