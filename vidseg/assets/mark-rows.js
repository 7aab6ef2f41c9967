"use strict";
/* Rows, and what may be done to them. Pure: every deed gives a list of changes { before, after },
   rows as the server knows them, and words that say what was done; nothing is changed here.

   A row covers the half-open span [start_ns, end_ns); end_ns null is a running step or an event. */

const FIELDS = ["id", "label", "start_ns", "end_ns", "open_start", "open_end", "note", "attributes", "draft"];

/* The fields that make a row, in one order, so that equal rows are equal as text. */
function plainRow(row) {
  return row && Object.fromEntries(FIELDS.map((name) => [name, row[name]]));
}

const sameRow = (a, b) => JSON.stringify(plainRow(a)) === JSON.stringify(plainRow(b));

/* Rows by id after the changes; null where one is not as `before` says. */
function applyChanges(rows, changes) {
  const out = new Map(rows);
  for (const { before, after } of changes) {
    const id = (before || after).id;
    if (!sameRow(out.get(id) || null, before)) return null;
    if (after) out.set(id, plainRow(after));
    else out.delete(id);
  }
  return out;
}

const turned = (changes) => changes.map(({ before, after }) => ({ before: after, after: before })).reverse();

/* By start, the longer first; rows without a place last: the server's order. */
function inOrder(rows) {
  const end = (row) => row.end_ns ?? Number.MAX_SAFE_INTEGER;
  return [...rows.values()].sort((a, b) =>
    (a.start_ns === null) - (b.start_ns === null) || a.start_ns - b.start_ns || end(b) - end(a));
}

function makeDeeds(procedure, length) {
  const steps = new Map(procedure.steps.map((step) => [step.code, step]));
  const nameOf = (label) => (steps.has(label) ? steps.get(label).name : label);
  const isEvent = (row) => steps.get(row.label)?.kind === "event";
  const isRunning = (row) =>
    row.end_ns === null && row.start_ns !== null && steps.has(row.label) && !isEvent(row);
  const endOf = (row) => row.end_ns ?? (isRunning(row) ? length : row.start_ns);
  const covers = (row, at) =>
    !row.draft && row.start_ns !== null && !isEvent(row) && row.start_ns <= at &&
    (row.end_ns === null ? isRunning(row) : at < row.end_ns);

  /* Whether two steps may not run at the same time. */
  function forbidden(a, b) {
    const one = steps.get(a), other = steps.get(b);
    if (!one || !other || one.kind !== other.kind || one.kind === "event") return false;
    return a === b || !(one.overlaps.includes(b) || other.overlaps.includes(a));
  }

  const newRow = (label, start_ns, end_ns) => ({
    id: crypto.randomUUID(), label, start_ns, end_ns,
    open_start: false, open_end: false, note: "", attributes: [], draft: false,
  });
  const changed = (row, values) => ({ before: row, after: { ...row, ...values } });
  const said = (text, changes, id) => ({ text, changes, id });
  const ending = (row, at) =>
    at > row.start_ns
      ? changed(row, { end_ns: at, open_end: false })
      : { before: row, after: null };

  /* The key of a step went down while the frame that starts at `at` was on the screen. Where that
     step runs or is marked, it ends there. Else it begins there, and takes what is left of a step
     that it may not overlap; two keys on one frame are a correction. */
  function press(rows, code, at) {
    const all = inOrder(rows), name = nameOf(code), step = steps.get(code);
    if (step.kind === "event") {
      const row = newRow(code, at, null);
      return said(`${name} marked`, [{ before: null, after: row }], row.id);
    }
    const own = all.filter((row) => row.label === code && covers(row, at)).pop() ||
      (at >= length && all.find((row) => row.label === code && !row.draft && isRunning(row)));
    if (own) {
      const change = ending(own, at);
      return said(change.after ? `${name} ends` : `${name} taken back`, [change], own.id);
    }
    if (at >= length) return said("The recording has ended", [], null);
    const rivals = all.filter((row) => covers(row, at) && forbidden(row.label, code));
    const same = rivals.find((row) => row.start_ns === at);
    if (same) {
      const text = `${nameOf(same.label)} is now ${name}`;
      return said(text, [changed(same, { label: code })], same.id);
    }
    const next = all.find((row) => !row.draft && row.start_ns > at && forbidden(row.label, code));
    const rest = rivals.find((row) => row.end_ns !== null);
    const end = rest ? rest.end_ns : next ? next.start_ns : null;
    const row = newRow(code, at, end);
    const until = end === null ? "begins" : next && next.start_ns === end
      ? `begins, until ${nameOf(next.label)}` : "begins";
    const cuts = rivals.map((rival) => ending(rival, at));
    return said(`${name} ${until}`, [...cuts, { before: null, after: row }], row.id);
  }

  /* Another row whose edge lies where this one's does: both move together. */
  function partner(rows, row, side) {
    const at = side === "start" ? row.start_ns : row.end_ns;
    return inOrder(rows).find((other) => other.id !== row.id && !other.draft && !row.draft &&
      forbidden(other.label, row.label) &&
      (side === "start" ? other.end_ns : other.start_ns) === at);
  }

  /* How far an edge may go [least, most] so that no row is left without a frame. `frame` gives the
     frame start that many frames from one. */
  function room(rows, row, side, together, shift) {
    if (isEvent(row)) return [0, shift(length, -1)];
    const beside = together && partner(rows, row, side);
    return side === "start"
      ? [beside ? shift(beside.start_ns, 1) : 0, shift(endOf(row), -1)]
      : [shift(row.start_ns, 1), beside ? shift(endOf(beside), -1) : length];
  }

  function moveEdge(rows, row, side, at, together = true) {
    const field = side === "start" ? "start_ns" : "end_ns";
    if (row[field] === at) return said("", [], row.id);
    const changes = [];
    const beside = together && partner(rows, row, side);
    const open = side === "start" ? { open_start: false } : { open_end: false };
    const word = isEvent(row) ? "moved" : side === "start" ? "begins" : "ends";
    changes.push(changed(row, { [field]: at, ...open }));
    if (beside) changes.push(changed(beside, side === "start" ? { end_ns: at } : { start_ns: at }));
    return said(`${nameOf(row.label)} ${word} here`, changes, row.id);
  }

  /* Whether an edge may be one that the recording does not show. */
  const mayBeOpen = (row, side) => !isEvent(row) && row.start_ns !== null &&
    (side === "start" ? row.start_ns === 0 : row.end_ns === null || row.end_ns === length);

  function toggleOpen(row, side) {
    const open = side === "start" ? { open_start: !row.open_start } : { open_end: !row.open_end, end_ns: length };
    const cut = side === "start" ? open.open_start : open.open_end;
    const word = side === "start" ? (cut ? "began before" : "begins with") : cut ? "goes on after" : "ends with";
    return said(`${nameOf(row.label)} ${word} the recording`, [changed(row, open)], row.id);
  }

  function split(row, at) {
    if (isEvent(row) || !(row.start_ns < at && at < endOf(row))) {
      return said("Nothing to split here", [], row.id);
    }
    const second = { ...newRow(row.label, at, row.end_ns), draft: row.draft, open_end: row.open_end };
    return said(`${nameOf(row.label)} split`, [
      changed(row, { end_ns: at, open_end: false }), { before: null, after: second },
    ], second.id);
  }

  function join(rows, row) {
    const next = inOrder(rows).find((other) => other.id !== row.id && other.label === row.label &&
      other.draft === row.draft && other.start_ns !== null && other.start_ns >= endOf(row));
    if (!next || isEvent(row) || row.end_ns === null) {
      return said("No later visit to join with", [], row.id);
    }
    const notes = [row.note, next.note].filter(Boolean).join("; ");
    return said(`Two visits of ${nameOf(row.label)} joined`, [
      changed(row, { end_ns: next.end_ns, open_end: next.open_end, note: notes }),
      { before: next, after: null },
    ], row.id);
  }

  return {
    steps, nameOf, isEvent, isRunning, endOf, covers, forbidden, press, partner, room, moveEdge,
    mayBeOpen, toggleOpen, split, join,
    relabel: (row, label) => said(
      `${nameOf(row.label)} is now ${nameOf(label)}`,
      row.label === label ? [] : [changed(row, { label })], row.id),
    remove: (row) => said(`${nameOf(row.label)} deleted`, [{ before: row, after: null }], null),
    annotate: (row, note) => said("Note kept", row.note === note ? [] : [changed(row, { note })], row.id),
    confirm: (row) => said(`${nameOf(row.label)} confirmed`, [changed(row, { draft: false })], row.id),
    reject: (row) => said(`${nameOf(row.label)} rejected`, [{ before: row, after: null }], null),
  };
}
