"use strict";
/* What the keyboard does beside the steps' own keys: one table for the keys, the help and titles. */

const COMMANDS = [
  ["Playing", [
    ["play", ["Space"], "play, pause"],
    ["frame-back", [","], "one frame back"],
    ["frame-on", ["."], "one frame on"],
    ["back-1", ["ArrowLeft"], "1 s back"],
    ["on-1", ["ArrowRight"], "1 s on"],
    ["back-5", ["Shift+ArrowLeft"], "5 s back"],
    ["on-5", ["Shift+ArrowRight"], "5 s on"],
    ["back-30", ["PageUp"], "30 s back"],
    ["on-30", ["PageDown"], "30 s on"],
    ["speed-1", ["1"], "speed 1×"],
    ["speed-2", ["2"], "speed 2×"],
    ["speed-3", ["3"], "speed 3×"],
    ["speed-4", ["4"], "speed 4×"],
    ["slower", ["<"], "slower (down to ¼×)"],
    ["faster", [">"], "faster"],
  ]],
  ["The chosen row", [
    ["row-before", ["ArrowUp"], "choose the row before"],
    ["row-after", ["ArrowDown"], "choose the row after"],
    ["enter", ["Enter"], "go to its start; a draft row: confirm it and go to the next"],
    ["delete", ["Delete", "Backspace"], "delete it; a draft row: reject it and go to the next"],
    ["hold-start", ["Home"], "take hold of its start: , . and arrows then move it"],
    ["hold-end", ["End"], "take hold of its end"],
    ["let-go", ["Escape"], "let the edge go"],
    ["start-here", ["Shift+Home"], "bring its start to this frame"],
    ["end-here", ["Shift+End"], "bring its end to this frame"],
    ["snap", ["!"], "move the held or nearest edge to where the picture changes most"],
    ["split", ["/"], "split it at this frame"],
    ["join", ["+"], "join it with the next visit of the same step"],
    ["change", ["="], "change its step: press the other step's key next"],
    ["note", ["'", "\""], "write a note to it"],
  ]],
  ["Everything", [
    ["undo", ["Ctrl+z"], "undo"],
    ["redo", ["Ctrl+y", "Ctrl+Shift+z"], "redo"],
    ["filter", ["*"], "filter the steps by typing"],
    ["help", ["?", "F1"], "show these keys"],
  ]],
];

const KEY_NAMES = {
  ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓", Escape: "Esc", PageUp: "Page ↑",
  PageDown: "Page ↓", Delete: "Del",
};

function showKey(key) {
  return key.split("+").map((part) => KEY_NAMES[part] || (/^[a-z]$/.test(part) ? part.toUpperCase() : part))
    .join(" ").trim() || "+";
}

const COMMAND_OF = new Map(COMMANDS.flatMap(([, list]) =>
  list.flatMap(([name, keys]) => keys.map((key) => [key, name]))));

/* The name of the command that a key event stands for, or undefined. */
function commandOf(event) {
  if (event.altKey && !event.ctrlKey) return undefined;
  const control = event.ctrlKey || event.metaKey;
  const key = event.key === " " ? "Space" : event.key.length === 1 && control ? event.key.toLowerCase() : event.key;
  if (event.altKey) return key.length === 1 ? COMMAND_OF.get(key) : undefined; /* AltGr writes signs */
  const named = key.length > 1 || control;
  return COMMAND_OF.get(`${control ? "Ctrl+" : ""}${named && event.shiftKey ? "Shift+" : ""}${key}`);
}

/* Titles of buttons that stand for a command: what it does and its key. */
function nameCommands(root) {
  const all = new Map(COMMANDS.flatMap(([, list]) => list).map(([name, keys, text]) => [name, [keys, text]]));
  for (const element of root.querySelectorAll("[data-command]")) {
    const found = all.get(element.dataset.command);
    if (found) element.title = `${found[1]} (${showKey(found[0][0])})`;
  }
}
