"use strict";
/* The marking page: fetches the state, joins the parts, routes the keys. */

async function openPage() {
  const [behind, state, frames] = await Promise.all([
    leftBehind(),
    askServer("state").then((answer) => answer.json()),
    askServer("frames").then((answer) => answer.arrayBuffer()),
  ]);
  const { procedure, recording } = state, length = recording.length_ns;
  const video = byId("video");
  const player = makePlayer(video, new Float64Array(frames));
  const screen = makeScreen(video, player, length);
  const deeds = makeDeeds(procedure, length);
  const looks = stepLooks(procedure.steps);
  const undo = makeUndo();
  const hours = length >= 3600e9;
  const show = (ns, decimals = 1) => clockText(ns, decimals, hours);
  let { problems, missing, second } = state, view = "mark", preview = null, open = true;
  const known = new Set(state.history.map((batch) => batch.id));
  const left = behind.filter((batch) => !known.has(batch.id));
  undo.seed([...state.history, ...left]);

  const sending = makeSending({
    rows: state.rows, revision: state.revision, saved: state.file.saved_revision, left,
    hear: {
      rows: () => started && changed(),
      status: () => started && showStatus(),
      foreign: (batch) => undo.take(batch),
      checked(data) {
        ({ problems, missing } = data);
        if (view === "compare") compareSoon();
      },
      trouble: tell,
      conflict: (sides) => askAbout(sides, words),
      reloaded(data) {
        ({ problems, missing, second } = data);
        undo.seed(data.history);
        sending.line().forEach(undo.take);
        askConflicts(data);
      },
      told(name, data) {
        if (name === "media") playing.progress(data.done);
        if (name === "levels") levels.load();
        if (name === "outside") {
          if (data.problems) ({ problems, missing } = data);
          if (data.told) tell(data.told);
          askConflicts(data);
          changed();
        }
        if (name === "stopping") open = false;
        showStatus();
      },
    },
  });
  let started = false;
  sending.state.trouble = state.file.trouble;
  sending.state.unreadable = state.file.unreadable;

  const desk = makeDesk({ deeds, player, screen, sending, undo, length, changed });
  const playing = makePlaying(video, state, length, player);
  const card = makeCard({
    deeds, procedure, looks, memory: keyMemory(procedure.code), press: desk.press, keysChanged: () => changed(),
  });
  const shared = { deeds, procedure, length, looks, show, keyOf: card.keyOf, ...desk };
  const rowsNow = () => (preview ? applyChanges(desk.rows(), preview) || desk.rows() : desk.rows());
  const strip = makeLanes({ ...shared, scrub: (ns) => player.seek(player.frameAt(ns)), drag });
  const list = makeList({ ...shared });
  const masks = makeMasks({ recording, masks: state.masks, show, now: () => player.now() });
  const levels = levelsLane();

  function words(row) {
    const end = row.end_ns === null ? "" : ` – ${show(row.end_ns, 3)}`;
    return `${deeds.nameOf(row.label)}, ${row.start_ns === null ? "no time" : show(row.start_ns, 3)}${end}`;
  }

  /* An edge carried along the strip: shown as it goes, made when it is let go. */
  function drag(id, side, ns, alone, over) {
    const row = id && desk.rows().get(id);
    if (!row || (side === "end" && row.end_ns === null)) {
      preview = null;
      return changed();
    }
    const at = desk.bounded(row, side, desk.snapped(ns), !alone);
    preview = null;
    desk.state.chosen = id;
    desk.state.held = side;
    if (over) desk.edgeTo(row, side, at, !alone);
    else {
      preview = deeds.moveEdge(desk.rows(), row, side, at, !alone).changes;
      changed();
    }
    return desk.see(at);
  }

  async function askConflicts({ conflicts }) {
    for (const conflict of conflicts || []) {
      const take = await askAbout(conflict, words);
      await askServer("outside", { choices: [{ id: conflict.id, take }] }).catch(() => {});
    }
  }

  /* ------------------------------------------------------------------ what is shown */

  /* Show all anew, once for all that happens in one turn. */
  let showing = false;
  function changed() {
    if (showing) return;
    showing = true;
    queueMicrotask(showAll);
  }

  function showAll() {
    showing = false;
    if (desk.state.chosen && !desk.rows().has(desk.state.chosen)) {
      desk.state.chosen = null;
      desk.state.held = null;
    }
    strip.render(rowsNow(), view === "compare" ? second : null);
    list.render(problems, missing);
    byId("undo").disabled = !undo.canUndo();
    byId("redo").disabled = !undo.canRedo();
    showNow(player.frame());
    showStatus();
  }

  let cardAt = -1;
  function showNow(frame) {
    const now = player.now(), all = inOrder(desk.rows());
    const here = all.filter((row) => deeds.covers(row, now) && (row.end_ns !== null || row.start_ns <= now));
    const main = here.findLast((row) => deeds.steps.get(row.label)?.kind === "step") || here.at(-1);
    const hole = recording.holes.some(([start, end]) => start <= now && now < end);
    byId("now-name").textContent = main ? deeds.nameOf(main.label) : hole ? "Not recorded" : "No step here";
    byId("now-more").textContent = [main ? hint(main, now) : "", ...here.filter((row) => row !== main).map((row) => deeds.nameOf(row.label))].filter(Boolean).join(" · ");
    const chip_ = byId("now-chip"), key = main && card.keyOf(main.label);
    chip_.className = main ? `chip ${looks(main.label)}` : "chip none";
    chip_.textContent = main ? (key ? keyText(key) : "·") : "–";
    byId("position").textContent = show(now, 3);
    byId("frame").textContent = `frame ${frame}`;
    const slider = byId("slider");
    if (document.activeElement !== slider || Number(slider.value) !== frame) slider.value = frame;
    slider.setAttribute("aria-valuetext", `${show(now, 1)}, ${main ? deeds.nameOf(main.label) : "no step"}`);
    byId("play").setAttribute("aria-label", video.paused ? "Play" : "Pause");
    byId("play").dataset.state = video.paused ? "paused" : "playing";
    strip.setTime(now);
    playing.caption(now);
    masks.draw(now);
    const signature = `${here.map((row) => row.id)}|${sending.state.revision}|${sending.waiting()}`;
    if (signature !== cardAt) card.render(desk.rows(), now);
    cardAt = signature;
  }

  /* How long the step lasts already, and how long one visit usually is. */
  function hint(row, now) {
    const step = deeds.steps.get(row.label);
    const lasted = `now ${show(Math.max(0, now - row.start_ns), 0)}`;
    if (!step?.usual_ns) return lasted;
    const from = step.usual_from === "library" ? ` (${step.usual_n ? `${step.usual_n} visits in ` : ""}your library)` : "";
    return `usual ${show(step.usual_ns, 0)}${from}, ${lasted}`;
  }

  function showStatus() {
    const { state: now } = sending, box = byId("saving"), n = sending.waiting();
    const changes = `${n} change${n === 1 ? "" : "s"}`;
    const [kind, text] = !open && !n ? ["ended", "Session ended"]
      : !now.reached ? ["offline", n ? `No server: ${changes} kept here` : "No server; trying again"]
      : now.trouble ? ["trouble", n ? `Not saved: ${changes} wait` : "Not saved"]
      : n ? ["sending", "Saving…"]
      : now.saved < now.revision ? ["sending", "Saving…"]
      : ["saved", `Saved to ${state.file.name}`];
    if (box.dataset.state !== kind || box.textContent !== text) {
      box.dataset.state = kind;
      box.textContent = text;
    }
    const trouble = !now.reached && n
      ? `The server does not answer. ${changes} not saved: kept in this browser and sent as soon as it answers. Leave this page open, and start vidseg mark again.`
      : now.trouble;
    byId("trouble").hidden = !trouble;
    byId("keep-own").hidden = !(trouble && trouble === now.trouble && now.unreadable);
    if (byId("trouble-text").textContent !== (trouble || "")) byId("trouble-text").textContent = trouble || "";
  }

  function setView(name) {
    view = name;
    document.body.dataset.view = name;
    for (const b of document.querySelectorAll("[data-view-button]")) {
      b.setAttribute("aria-pressed", String(b.dataset.viewButton === name));
    }
    byId("compare").hidden = name !== "compare";
    byId("masks").hidden = name !== "masks";
    byId("card").hidden = name !== "mark";
    masks.open(name === "masks");
    if (name === "compare") compare();
    changed();
  }

  let comparing = 0;
  function compareSoon() {
    clearTimeout(comparing);
    comparing = setTimeout(compare, 500);
  }
  async function compare() {
    const answer = await askServer("second").catch(() => null);
    if (answer?.ok) second = await answer.json();
    if (view !== "compare" || !second) return;
    renderCompare(second, deeds.nameOf);
    strip.render(rowsNow(), second);
  }

  async function stop() {
    const rows = inOrder(desk.rows()), { state: now } = sending;
    const over = await askToFinish({
      file: state.file.name,
      waiting: sending.waiting(),
      trouble: now.trouble,
      drafts: rows.filter((row) => row.draft).length,
      running: rows.filter((row) => deeds.isRunning(row) && !row.draft).map((row) => deeds.nameOf(row.label)),
      missing: missing.map(deeds.nameOf),
    });
    if (!over) return;
    open = false;
    sending.close();
    playing.end();
    showStatus();
  }

  /* ------------------------------------------------------------------ keys and buttons */

  const commands = {
    play: player.toggle,
    "frame-back": () => desk.move(-1), "frame-on": () => desk.move(1),
    "back-1": () => desk.move(0, -1), "on-1": () => desk.move(0, 1),
    "back-5": () => desk.move(0, -5), "on-5": () => desk.move(0, 5),
    "back-30": () => desk.move(0, -30), "on-30": () => desk.move(0, 30),
    "speed-1": () => playing.setSpeed(1), "speed-2": () => playing.setSpeed(2),
    "speed-3": () => playing.setSpeed(3), "speed-4": () => playing.setSpeed(4),
    slower: () => playing.faster(-1), faster: () => playing.faster(1),
    "row-before": () => desk.beside(-1), "row-after": () => desk.beside(1),
    enter: desk.enter, delete: () => desk.act("remove"),
    "hold-start": () => desk.hold(desk.state.chosen, "start"), "hold-end": () => desk.hold(desk.state.chosen, "end"),
    "let-go": desk.letGo, "start-here": () => desk.edgeHere("start"), "end-here": () => desk.edgeHere("end"),
    snap: () => desk.act("snap"), split: () => desk.act("split"), join: () => desk.act("join"),
    change: desk.changeNext, note: () => list.note(), undo: desk.undo, redo: desk.redo,
    filter: () => {
      if (view !== "mark") setView("mark");
      byId("filter").focus();
    },
    help: () => showHelp(procedure, card.keyOf),
  };

  const usesKey = (target, name) =>
    (["play", "enter"].includes(name) && target.closest("button, a, summary, [role=option]") && !(name === "enter" && target.closest("[role=option]"))) ||
    (target.closest("input[type=range]") && /^(back|on|hold|row)-/.test(name));

  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || byId("dialog").open) return;
    if (card.take(event)) return;
    if (event.target.closest("input:not([type=range]), select, textarea")) return;
    const name = commandOf(event);
    if (name && !usesKey(event.target, name)) {
      event.preventDefault();
      commands[name]();
      return;
    }
    if (name || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const code = card.stepOf(stepKey(event));
    if (!code) return;
    event.preventDefault();
    desk.press(code, event.timeStamp);
  });

  document.addEventListener("click", (event) => {
    const pressed = event.target.closest("[data-command]");
    if (pressed && !pressed.disabled) commands[pressed.dataset.command]();
    /* After the mouse, the keys belong to playing and marking again. */
    const done = event.target.closest("button");
    if (done && event.detail > 0 && !byId("dialog").open && !done.closest("#lanes")) byId("stage").focus({ preventScroll: true });
  });
  for (const b of document.querySelectorAll("[data-view-button]")) {
    b.addEventListener("click", () => setView(b.dataset.viewButton));
  }
  byId("save-csv").addEventListener("click", () => saveAsCsv());
  byId("keep-own").addEventListener("click", () => askToKeepOwn(state.file.name));
  byId("stop").addEventListener("click", stop);
  byId("slider").max = player.count - 1;
  byId("slider").addEventListener("input", () => player.seek(Number(byId("slider").value)));
  video.addEventListener("click", player.toggle);
  addEventListener("beforeunload", (event) => {
    if (sending.waiting() && !sending.state.reached) event.preventDefault();
  });
  nameCommands(document);

  if (state.captions.length) strip.addLane("Spoken", captionsLane(state.captions, length), "row-captions");
  if (recording.audio) strip.addLane("Sound", levels.lane, "row-levels");
  if (recording.audio) levels.load();
  strip.drawOver(recording.holes);
  document.documentElement.style.setProperty("--shape", String(recording.width / recording.height));
  document.querySelector("[data-view-button='compare']").hidden = !second;
  byId("about").textContent = [procedure.name, state.annotator, state.blind ? "blind: no other reader's rows are shown" : "",
    recording.parts.length > 1 ? `${recording.parts.length} parts` : ""].filter(Boolean).join(" · ");
  player.onChange(showNow);
  started = true;
  sending.start();
  changed();
  askConflicts(state);
  for (const notice of state.notices || []) tell(notice);
  const first = inOrder(desk.rows()).find((row) => row.draft);
  if (first) desk.choose(first.id, { go: true });
  document.documentElement.dataset.ready = "yes";
}

openPage().catch((error) => {
  byId("saving").dataset.state = "offline";
  byId("saving").textContent = "The page could not be opened";
  byId("trouble").hidden = false;
  byId("trouble-text").textContent = `The page could not be opened (${error.message}). Load it again; if that does not help, start vidseg mark again.`;
});
