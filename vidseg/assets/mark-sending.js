"use strict";
/* From the page to the file: batches wait in line, are kept in the browser until the server has
   them, and are sent in order, again and again, until it has.

   makeSending({ rows, revision, saved, left, hear }) gives { rows(), make(batch), waiting(), … }.
   What is shown is the server's rows with the waiting batches made upon them. `hear` has
   rows() (they have changed), status(), foreign(batch), checked(data), trouble(text),
   conflict({ id, mine, theirs }) => promise of "mine" | "theirs", and told(event, data). */

const CLIENT = crypto.randomUUID();
const KEPT_HERE = `vidseg-mark-waiting-${location.pathname}-`;
const KEEP = KEPT_HERE + CLIENT;
const AGAIN_MS = 1500;

function askServer(path, data) {
  const options = data === undefined ? {} : {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(data),
  };
  return fetch(path, { cache: "no-store", ...options });
}

/* What pages of this address that are gone had not sent yet. A page that lives holds a lock by the
   name of its line, so that nobody else takes it. */
async function leftBehind() {
  const held = navigator.locks ? (await navigator.locks.query()).held.map((lock) => lock.name) : [];
  if (navigator.locks) navigator.locks.request(KEEP, () => new Promise(() => {}));
  const found = [];
  try {
    for (const key of Object.keys(localStorage)) {
      if (!key.startsWith(KEPT_HERE) || held.includes(key)) continue;
      found.push(...JSON.parse(localStorage.getItem(key)));
      localStorage.removeItem(key);
    }
  } catch {
    /* A browser that keeps nothing for pages has left nothing. */
  }
  return found;
}

function makeSending({ rows, revision, saved, left, hear }) {
  let base = new Map(rows.map((row) => [row.id, plainRow(row)]));
  let shown = base, line = left, busy = false, again = 0;
  const state = { revision, saved, reached: true, trouble: null, unreadable: false };
  const heard = new Set();

  function keep() {
    try {
      if (line.length) localStorage.setItem(KEEP, JSON.stringify(line));
      else localStorage.removeItem(KEEP);
    } catch {
      /* Without room the line lives in this page alone, which says that it is not saved. */
    }
  }

  /* A waiting batch that no longer fits is shown all the same; the server's answer asks about it. */
  function show() {
    shown = base;
    for (const batch of line) shown = applyChanges(shown, batch.changes) || forced(shown, batch);
    keep();
    hear.rows();
    hear.status();
  }

  function forced(map, batch) {
    const out = new Map(map);
    for (const { before, after } of batch.changes) {
      if (after) out.set(after.id, plainRow(after));
      else out.delete(before.id);
    }
    return out;
  }

  function taken(id, answer) {
    const at = line.findIndex((batch) => batch.id === id);
    if (at >= 0) {
      base = applyChanges(base, line[at].changes) || forced(base, line[at]);
      line.splice(at, 1);
    }
    if (answer) {
      state.revision = Math.max(state.revision, answer.revision);
      hear.checked(answer);
    }
    show();
  }

  async function send() {
    if (busy || !line.length) return;
    busy = true;
    clearTimeout(again);
    const batch = line[0];
    try {
      const answer = await askServer("changes", { client: CLIENT, batch });
      state.reached = true;
      const data = await answer.json().catch(() => ({}));
      if (answer.ok) {
        state.trouble = null;
        taken(batch.id, data);
      } else if (answer.status === 409) {
        await rebase(batch, data);
      } else {
        if (answer.status === 422) await refused(batch, data);
        else state.trouble = data.trouble || `the server answered ${answer.status}`;
      }
    } catch {
      state.reached = false;
    }
    busy = false;
    hear.status();
    if (line.length) {
      const calm = state.reached && !state.trouble;
      again = setTimeout(send, calm ? 0 : AGAIN_MS);
    }
  }

  async function refused(batch, data) {
    line = line.filter((one) => one !== batch);
    hear.trouble(`A change was refused: ${data.trouble}`);
    await reload();
  }

  /* The rows are not as this page thought: keep what still fits, ask about the rest. */
  async function rebase(batch, data) {
    base = new Map(data.rows.map((row) => [row.id, plainRow(row)]));
    state.revision = data.revision;
    const changes = [];
    for (const { before, after } of batch.changes) {
      const id = (before || after).id, theirs = base.get(id) || null;
      if (sameRow(theirs, after)) continue;
      const mine = sameRow(theirs, before) || (await hear.conflict({ id, mine: after, theirs })) === "mine";
      if (mine) changes.push({ before: theirs, after });
    }
    const at = line.indexOf(batch);
    if (changes.length) line[at] = { id: crypto.randomUUID(), changes };
    else line.splice(at, 1);
    show();
  }

  async function reload() {
    const answer = await askServer("state");
    if (!answer.ok) throw new Error(String(answer.status));
    const data = await answer.json();
    base = new Map(data.rows.map((row) => [row.id, plainRow(row)]));
    state.revision = data.revision;
    state.saved = data.file.saved_revision;
    state.trouble = data.file.trouble;
    state.unreadable = data.file.unreadable;
    const known = new Set(data.history.map((batch) => batch.id));
    line = line.filter((batch) => !known.has(batch.id));
    hear.reloaded(data);
    show();
    send();
  }

  const hearing = new Map();
  const on = (name, action) => hearing.set(name, (event) => action(JSON.parse(event.data)));
  on("changed", (data) => {
    if (data.client === CLIENT) return taken(data.batch.id, data);
    if (heard.has(data.batch.id)) return undefined;
    heard.add(data.batch.id);
    const next = applyChanges(base, data.batch.changes);
    state.revision = data.revision;
    hear.checked(data);
    hear.foreign({ ...data.batch, client: data.client });
    if (next) base = next;
    else return reload().catch(() => {});
    return show();
  });
  on("saved", (data) => {
    state.saved = data.revision;
    hear.status();
  });
  on("trouble", (data) => {
    state.trouble = data.text;
    state.unreadable = data.unreadable;
    hear.status();
  });
  on("outside", (data) => {
    base = new Map(data.rows.map((row) => [row.id, plainRow(row)]));
    state.revision = data.revision;
    show();
    hear.told("outside", data);
  });
  for (const name of ["media", "levels", "stopping"]) on(name, (data) => hear.told(name, data));

  /* The stream of events; after it was cut off, everything is asked for anew. */
  let source = null, cut = false, over = false;
  function listen() {
    source = new EventSource("events");
    for (const [name, action] of hearing) source.addEventListener(name, action);
    source.addEventListener("error", () => {
      cut = true;
      state.reached = false;
      hear.status();
      if (source.readyState === EventSource.CLOSED && !over) setTimeout(listen, AGAIN_MS);
    });
    source.addEventListener("open", () => {
      if (!cut) return;
      cut = false;
      state.reached = true;
      reload().catch(() => (state.reached = false)).finally(hear.status);
    });
  }
  listen();

  return {
    state,
    rows: () => shown,
    waiting: () => line.length,
    line: () => line,
    start() {
      show();
      send();
    },
    /* Make a batch here and now, and send it; false where it does not fit the rows. */
    make(batch) {
      if (!applyChanges(shown, batch.changes)) return false;
      line.push(batch);
      show();
      send();
      return true;
    },
    reload,
    close() {
      over = true;
      source.close();
    },
  };
}
