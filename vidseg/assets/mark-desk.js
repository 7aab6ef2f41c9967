"use strict";
/* The desk: which row is chosen, which edge is held, and what the user does to rows.

   makeDesk({ deeds, player, screen, sending, undo, length, changed }) gives the deeds by name.
   `changed()` is called after every choice, so that what is shown follows. */

function makeDesk({ deeds, player, screen, sending, undo, length, changed }) {
  const state = { chosen: null, held: null, changing: false };
  const rows = () => sending.rows();
  const chosen = () => rows().get(state.chosen) || null;
  const shift = (ns, frames) => {
    const frame = ns >= length ? player.count : player.frameAt(ns);
    return frame + frames >= player.count ? length : player.timeOf(frame + frames);
  };
  const snapped = (ns) => {
    const frame = player.frameAt(ns), start = player.timeOf(frame), next = shift(start, 1);
    return next - ns < ns - start ? next : start;
  };
  const see = (ns) => player.seek(ns >= length ? player.count - 1 : player.frameAt(ns));

  /* Make the changes of a deed as one batch. */
  function make(deed, quiet = false) {
    if (deed.changes.length) {
      const batch = { id: crypto.randomUUID(), changes: deed.changes };
      if (!sending.make(batch)) return tell("This row has changed meanwhile");
      undo.take(batch);
    }
    if (!quiet) tell(deed.text);
    return changed();
  }

  function press(code, when) {
    if (state.changing) {
      state.changing = false;
      if (chosen()) return make(deeds.relabel(chosen(), code));
    }
    const deed = deeds.press(rows(), code, screen.edgeAt(when));
    state.held = null;
    if (deed.id) state.chosen = deed.id;
    return make(deed);
  }

  function choose(id, { go = false } = {}) {
    state.chosen = id;
    state.held = null;
    state.changing = false;
    const row = chosen();
    if (go && row && row.start_ns !== null) see(row.start_ns);
    changed();
  }

  function beside(step) {
    const all = inOrder(rows());
    const at = all.findIndex((row) => row.id === state.chosen);
    const now = player.now();
    const from = at >= 0 ? at + step : step > 0
      ? all.findIndex((row) => row.start_ns > now)
      : all.findLastIndex((row) => row.start_ns !== null && row.start_ns < now);
    if (all[from]) choose(all[from].id, { go: true });
    else tell(step > 0 ? "No row after this" : "No row before this");
    if (all[from]) tell(deeds.nameOf(all[from].label));
  }

  /* After a draft row is confirmed or rejected: on to the next that waits. */
  function decide(deed) {
    const all = inOrder(rows()), at = all.findIndex((row) => row.id === state.chosen);
    const next = [...all.slice(at + 1), ...all.slice(0, at)].find((row) => row.draft);
    make(deed);
    if (next) choose(next.id, { go: true });
    else {
      state.chosen = null;
      tell(`${deed.text}; no draft rows are left`);
      changed();
    }
  }

  function hold(id, side) {
    state.chosen = id;
    const row = chosen();
    if (!row || row.start_ns === null) return;
    const at = side === "start" || deeds.isEvent(row) ? row.start_ns : row.end_ns;
    if (at === null) return tell("This step is still running: it has no end yet");
    state.held = deeds.isEvent(row) ? "start" : side;
    see(at);
    tell(`${deeds.nameOf(row.label)}: ${deeds.isEvent(row) ? "moment" : side} in hand`);
    changed();
  }

  /* Where the held edge lies, ns; null for none. */
  function heldEdge() {
    const row = chosen();
    if (!row || !state.held) return null;
    return state.held === "start" ? row.start_ns : row.end_ns;
  }

  function bounded(row, side, at, together) {
    const [least, most] = deeds.room(rows(), row, side, together, shift);
    return Math.min(most, Math.max(least, at));
  }

  function edgeTo(row, side, at, together = true, quiet = false) {
    const to = bounded(row, side, at, together);
    make(deeds.moveEdge(rows(), row, side, to, together), quiet);
    return to;
  }

  /* Frames or seconds on; a held edge goes along. */
  function move(frames, seconds = 0) {
    const row = chosen(), edge = heldEdge();
    if (row && edge !== null) {
      const aim = seconds ? snapped(Math.min(length, Math.max(0, edge + seconds * 1e9))) : shift(edge, frames);
      see(edgeTo(row, state.held, frames < 0 && edge === 0 ? 0 : aim));
    } else if (seconds) player.seek(player.frameAt(Math.max(0, player.now() + seconds * 1e9)));
    else player.step(frames);
  }

  function edgeHere(side) {
    const row = chosen();
    if (!row || row.start_ns === null) return tell("Choose a row first");
    const at = screen.edgeAt(performance.now());
    if (deeds.isEvent(row)) return edgeTo(row, "start", at);
    const fits = side === "start" ? at < deeds.endOf(row) : at > row.start_ns;
    if (!fits) return tell(side === "start" ? "It would begin after its end" : "It would end before it begins");
    return edgeTo(row, side, at);
  }

  async function snap() {
    const row = chosen();
    if (!row || row.start_ns === null) return tell("Choose a row first");
    const now = player.now();
    const nearer = row.end_ns !== null && Math.abs(row.end_ns - now) < Math.abs(row.start_ns - now) ? "end" : "start";
    const side = state.held || nearer, edge = side === "start" ? row.start_ns : row.end_ns;
    tell("Looking for the change of picture…");
    const answer = await askServer(`near-change?at_ns=${edge}`).catch(() => null);
    const found = answer?.ok ? await answer.json() : null;
    if (!found) return tell("Changes of picture cannot be looked for here");
    if (found.at_ns === null) return tell("The picture does not change clearly near this edge");
    const still = rows().get(row.id);
    if (!still || !sameRow(still, row)) return tell("This row has changed meanwhile");
    state.held = side;
    return see(edgeTo(row, side, found.at_ns));
  }

  function again(batch, kind) {
    if (!batch) return tell(`Nothing to ${kind}`);
    if (!sending.make(batch)) {
      if (kind === "undo") undo.dropUndo();
      else undo.dropRedo();
      return tell(`This cannot be ${kind === "undo" ? "undone" : "done again"}: the row has changed since`);
    }
    undo.take(batch);
    const row = batch.changes.map(({ before, after }) => after || before).pop();
    state.held = null;
    if (rows().has(row.id)) state.chosen = row.id;
    tell(`${kind === "undo" ? "Undone" : "Done again"}: ${deeds.nameOf(row.label)}`);
    return changed();
  }

  /* What a button or key does to the chosen row. */
  function act(name, value, id = state.chosen) {
    const row = rows().get(id);
    if (!row) return tell("Choose a row first");
    if (row.draft && (name === "confirm" || name === "reject" || name === "remove")) {
      return decide(deeds[name === "remove" ? "reject" : name](row));
    }
    const deed = {
      relabel: () => deeds.relabel(row, value),
      annotate: () => deeds.annotate(row, value),
      remove: () => deeds.remove(row),
      open: () => deeds.toggleOpen(row, value),
      split: () => deeds.split(row, screen.edgeAt(performance.now())),
      join: () => deeds.join(rows(), row),
    }[name];
    if (name === "snap") return snap();
    const done = deed();
    make(done);
    if (name === "split") choose(done.id);
    return undefined;
  }

  return {
    state, rows, chosen, press, choose, beside, hold, heldEdge, move, edgeHere, act, snapped, bounded, edgeTo, see,
    undo: () => again(undo.undo(), "undo"),
    redo: () => again(undo.redo(), "redo"),
    enter() {
      const row = chosen();
      if (row && row.draft) act("confirm");
      else if (row && row.start_ns !== null) see(row.start_ns);
    },
    letGo() {
      state.held = null;
      state.changing = false;
      changed();
    },
    changeNext() {
      if (!chosen()) return tell("Choose a row first");
      state.changing = true;
      return tell(`Press the key of the step that ${deeds.nameOf(chosen().label)} is to be`);
    },
  };
}
