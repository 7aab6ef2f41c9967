"use strict";
/* The case page: joins the player, the strip, the list of visits and the tables. */

(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const root = document.documentElement;
  const video = byId("video");
  const blocks = [...document.querySelectorAll(".block")];
  const main = blocks.filter((block) => block.closest("[data-main]"));
  const listed = new Map(
    [...document.querySelectorAll(".visits-list button")].map((b) => [b.dataset.order, b]),
  );
  const first = (block) => Number(block.dataset.frame);
  const last = (block) => Number(block.dataset.last);

  const clock = (ns, decimals = 1) => clockText(ns, decimals, data.hours);
  const player = video ? makePlayer(video, data.parts) : null;
  let announced = "", announcing = 0;

  /* Said once a visit has lasted, never while the playhead is dragged across several. */
  function announce(text) {
    if (text === announced) return;
    announced = text;
    clearTimeout(announcing);
    announcing = setTimeout(() => (byId("now-live").textContent = text), 400);
  }

  function visitRow(order) {
    const row = byId(`visit-${order}`);
    if (!row) return;
    row.scrollIntoView({ block: "center" });
    (row.querySelector("a") || row.closest("[tabindex]")).focus({ preventScroll: true });
  }

  function go(button) {
    if (player && player.available) player.seek(Number(button.dataset.frame));
    else if (button.dataset.order) visitRow(button.dataset.order);
  }

  const strip = makeStrip(byId("strip"), {
    length: data.length,
    show: (ns) => clock(ns, 0),
    go,
    scrub: (ns) => player && player.seek(player.frameAt(ns)),
  });

  function showChip(block) {
    const chip = byId("now-chip");
    chip.className = block ? `chip ${block.dataset.look}` : "chip none";
    chip.textContent = block ? block.dataset.label : "–";
  }

  function showNow(frame) {
    const now = player.now();
    const hole = data.holes.some(([start, end]) => start <= now && now < end);
    const current = hole ? [] : blocks.filter((b) => first(b) <= frame && frame < last(b));
    const inner = current.filter((b) => main.includes(b)).pop();
    const outer = current.filter((b) => b !== inner).map((b) => b.dataset.name);
    const away = data.excluded.find(([start, end]) => start <= frame && frame < end);
    const name = inner ? inner.dataset.name : hole ? "Not recorded" : `No ${data.level}`;
    const visit = inner && Number(inner.dataset.visits) > 1
      ? `visit ${inner.dataset.visit} of ${inner.dataset.visits}` : "";
    const extra = [visit, ...outer, away ? `excluded: ${away[2]}` : ""].filter(Boolean).join(" · ");
    byId("now-name").textContent = name;
    byId("now-more").textContent = extra;
    byId("now-time").textContent = inner
      ? `${clock(Math.max(0, now - Number(inner.dataset.start)))} of ${inner.dataset.length}` : "";
    byId("position").textContent = clock(now, 3);
    byId("frame").textContent = `frame ${frame}`;
    showChip(inner);
    announce([name, extra].filter(Boolean).join(", "));
    strip.setTime(now);
    strip.setCurrent(current);
    for (const [order, b] of listed) {
      if (current.some((block) => block.dataset.order === order)) {
        if (!b.hasAttribute("aria-current")) keepInView(b);
        b.setAttribute("aria-current", "true");
      } else b.removeAttribute("aria-current");
    }
    const slider = byId("slider");
    if (document.activeElement !== slider || Number(slider.value) !== frame) slider.value = frame;
    slider.setAttribute("aria-valuetext", `${clock(now)}, ${name}`);
    byId("play").setAttribute("aria-label", video.paused ? "Play" : "Pause");
    byId("play").dataset.state = video.paused ? "paused" : "playing";
  }

  /* Scrolls the list alone, never the page. */
  function keepInView(button) {
    const list = button.closest(".visits-list");
    const box = list.getBoundingClientRect(), item = button.getBoundingClientRect();
    if (item.top < box.top || item.bottom > box.bottom) {
      list.scrollTop += item.top - box.top - box.height / 3;
    }
  }

  function nextStep() {
    const frame = player.frame();
    const target = main.find((b) => first(b) > frame);
    if (target) player.seek(first(target));
  }

  /* Back to the start of this visit; when already within a second of it, to the one before. */
  function previousStep() {
    const frame = player.frame();
    const before = player.frameAt(player.timeOf(frame) - 1e9);
    const target = main.filter((b) => first(b) <= before).pop() || main[0];
    if (target) player.seek(first(target));
  }

  function cannotPlay() {
    player.available = false;
    root.classList.add("no-video");
    byId("cannot-play").hidden = false;
    for (const button of document.querySelectorAll("[data-go]")) button.disabled = true;
  }

  function press(id, action) {
    const button = byId(id);
    if (button) button.addEventListener("click", action);
  }

  function fullScreen() {
    if (document.fullscreenElement) document.exitFullscreen();
    else byId("stage").requestFullscreen().catch(() => {});
  }

  function pressed(id, on) {
    const button = byId(id);
    if (button) button.setAttribute("aria-pressed", String(on));
  }

  function letterKeys(event) {
    const target = event.target;
    if (event.altKey || event.ctrlKey || event.metaKey || event.defaultPrevented) return;
    if (!byId("keys-on").checked || !player.available) return;
    if (target.closest("input:not([type=range]), select, textarea")) return;
    const action = {
      n: nextStep,
      p: previousStep,
      ",": () => player.step(-1),
      ".": () => player.step(1),
      " ": target.closest("button, a, summary, input, video[controls]") ? null : player.toggle,
    }[event.key];
    if (!action) return;
    event.preventDefault();
    action();
  }

  function startVideo() {
    video.controls = false;
    byId("controls").hidden = false;
    const captions = addTrack(video, "captions", "Captions", data.language, data.captions);
    addTrack(video, "chapters", "Steps", "", data.chapters);
    const slider = byId("slider");
    slider.max = player.count - 1;
    slider.addEventListener("input", () => player.seek(Number(slider.value)));
    press("play", player.toggle);
    press("next", nextStep);
    press("previous", previousStep);
    press("frame-back", () => player.step(-1));
    press("frame-on", () => player.step(1));
    press("captions", () => {
      captions.mode = captions.mode === "showing" ? "hidden" : "showing";
      pressed("captions", captions.mode === "showing");
    });
    press("sound", () => {
      video.muted = !video.muted;
      pressed("sound", !video.muted);
    });
    press("full-screen", fullScreen);
    byId("speed").addEventListener("change", (event) => {
      video.playbackRate = Number(event.target.value);
    });
    video.addEventListener("click", player.toggle);
    document.addEventListener("keydown", letterKeys);
    document.addEventListener("click", (event) => {
      const button = event.target.closest("[data-go]");
      if (!button || !player.available) return;
      player.seek(Number(button.dataset.frame));
      if (button.dataset.go === "far") {
        byId("stage").scrollIntoView({ block: "nearest" });
        byId("stage").focus({ preventScroll: true });
      }
    });
    player.onChange(showNow);
    video.addEventListener("error", cannotPlay);
    video.addEventListener("loadedmetadata", () => {
      if (!video.videoWidth) cannotPlay();
    });
    if (video.error) cannotPlay();
    else if (video.readyState > 0) showNow(player.frame());
  }

  root.classList.add("scripted");
  if (player) startVideo();
  else {
    root.classList.add("no-video");
    for (const button of document.querySelectorAll("[data-go]")) button.disabled = true;
  }
})();
