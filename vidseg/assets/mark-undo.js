"use strict";
/* Undo and redo without limit. Batches are kept as they were made; what the server has kept of
   earlier pages is taken in, so that a reload forgets nothing. The id of a batch tells its kind:
   "undo.<id>.<chance>", "redo.<id>.<chance>", or any other for a change of its own. */

function makeUndo() {
  let done = [], undone = [];
  const FOREIGN = ["outside", "choice", "draft", "file"]; /* not the deeds of a page */

  function take(batch) {
    if (FOREIGN.includes(batch.client) || !batch.changes.length) return;
    const [kind, of] = batch.id.split(".");
    const from = kind === "undo" ? done : kind === "redo" ? undone : null;
    if (!from) {
      done.push(batch);
      undone = [];
      return;
    }
    const at = from.findLastIndex((one) => one.id === of);
    if (at >= 0) (kind === "undo" ? undone : done).push(...from.splice(at, 1));
  }

  const chance = () => crypto.randomUUID().slice(0, 8);
  return {
    take,
    seed(history) {
      done = [];
      undone = [];
      history.forEach(take);
    },
    canUndo: () => done.length > 0,
    canRedo: () => undone.length > 0,
    /* The batch that undoes the last change, or does again the last undone; null for none. */
    undo() {
      const last = done.at(-1);
      return last ? { id: `undo.${last.id}.${chance()}`, changes: turned(last.changes) } : null;
    },
    redo() {
      const last = undone.at(-1);
      return last ? { id: `redo.${last.id}.${chance()}`, changes: last.changes } : null;
    },
    dropUndo: () => done.pop(),
    dropRedo: () => undone.pop(),
  };
}
