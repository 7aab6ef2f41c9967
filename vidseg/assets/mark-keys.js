"use strict";
/* Which key stands for which step. Letters belong to the steps; playing and editing need none.

   A step gets the first free letter of its name, then of the later words' beginnings, then any
   letter in it, then any other letter, then a digit that speed does not need. Steps go before
   excluded kinds, those before phases; steps that must be marked go first among steps. Events have
   letters of their own, pressed with Shift. */

const LETTERS = "abcdefghijklmnopqrstuvwxyz";
const SPARE_DIGITS = "567890";

function letterWishes(name) {
  const words = name.normalize("NFKD").toLowerCase().match(/[a-z]+/g) || [];
  return [...new Set([...words.map((word) => word[0]), ...words.join("")])];
}

/* Map of step code to key: "a" … "z", "5" … "0", or "A" … "Z" for Shift and the letter. `own` holds
   the user's choices by code; a choice that two steps share counts for the first. */
function chooseKeys(steps, own) {
  const rank = { step: 0, task: 1, excluded: 2, phase: 3, event: 4 };
  const order = [...steps].sort((a, b) => rank[a.kind] - rank[b.kind] || b.required - a.required);
  const keys = new Map(), taken = new Set();
  const give = (step, key) => {
    if (!key || taken.has(key)) return false;
    keys.set(step.code, key);
    taken.add(key);
    return true;
  };
  const left = order.filter((step) => !give(step, own[step.code]));
  const shaped = (step, letter) => (step.kind === "event" ? letter.toUpperCase() : letter);
  const rest = left.filter((step) => {
    const first = letterWishes(step.name)[0];
    return own[step.code] === "" || !first || !give(step, shaped(step, first));
  });
  for (const step of rest) {
    if (own[step.code] === "") continue;
    const wishes = [...letterWishes(step.name), ...LETTERS].map((letter) => shaped(step, letter));
    const spare = step.kind === "event" ? [] : [...SPARE_DIGITS];
    [...wishes, ...spare].some((key) => give(step, key));
  }
  return keys;
}

/* The step key that an event of the keyboard means, or "": by what the key writes, or, where that
   is no Latin letter (a Greek or Hindi layout), by its place. Caps Lock does not count. */
function stepKey(event) {
  const written = /^[a-z0-9]$/i.test(event.key) ? event.key.toLowerCase() : "";
  const placed = /^Key[A-Z]$/.test(event.code) && event.key.length === 1 && event.key > "\x7f"
    ? event.code[3].toLowerCase() : "";
  const key = written || placed;
  if (/[0-9]/.test(key)) return SPARE_DIGITS.includes(key) && !event.shiftKey ? key : "";
  return event.shiftKey ? key.toUpperCase() : key;
}

const keyText = (key) => (/[A-Z]/.test(key) ? `⇧${key}` : key.toUpperCase());
const keyWords = (key) => (/[A-Z]/.test(key) ? `Shift ${key}` : key.toUpperCase());

/* The user's own keys, remembered by this browser for this vocabulary at this address. */
function keyMemory(code) {
  const place = `vidseg-mark-keys-${code}`;
  return {
    read() {
      try {
        return JSON.parse(localStorage.getItem(place)) || {};
      } catch {
        return {};
      }
    },
    write: (own) => localStorage.setItem(place, JSON.stringify(own)),
    forget: () => localStorage.removeItem(place),
  };
}
