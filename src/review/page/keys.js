// One table of what keys do; each can be changed, and letters can be switched off.

export const actions = {
  left: ['Frame to the left', 'ArrowLeft'],
  right: ['Frame to the right', 'ArrowRight'],
  up: ['Frame above', 'ArrowUp'],
  down: ['Frame below', 'ArrowDown'],
  closer: ['Come closer: frame, then grain; at the bed, the one key', 'Enter'],
  back: ['Step back', 'Escape'],
  select: ['Verdict: select', 's'],
  alt: ['Verdict: alt', 'a'],
  kill: ['Verdict: kill', 'k'],
  clear: ['Take the verdict back', '.'],
  note: ['Write a note', 'n'],
  crop: ['Draw the crop line', 'l'],
  draw: ['Mouse and finger draw', 'm'],
  erase: ['Eraser', 'e'],
  bare: ['Lift the marks off, lay them on', 'h'],
  red: ['Red pencil', '1'],
  yellow: ['Yellow pencil', '2'],
  white: ['White pencil', '3'],
  blue: ['Blue pencil', '4'],
  undo: ['Undo', 'z'],
  redo: ['Do again', 'y'],
  loupe: ['Loupe: laid on or lifted off; held, it lies while it is held', 'g'],
  trim: ['Trim: open, close', 'r'],
  warmer: ['Warmer, while trim is open', 'o'],
  colder: ['Colder, while trim is open', 'u'],
  pinker: ['Pinker, while trim is open', 'p'],
  greener: ['Greener, while trim is open', 'v'],
  lighter: ['Lighter, while trim is open', 'i'],
  darker: ['Darker, while trim is open', 'd'],
  harder: ['Harder, while trim is open', 'f'],
  softer: ['Softer, while trim is open', 'c'],
  nearer: ['Nearer', '+'],
  farther: ['Farther', '-'],
  beside: ['Lay two frames side by side', 'b'],
  table: ['To the table', 't'],
  chosen: ['Chosen frames', 'w'],
  bed: ['To the bed', 'j'],
  press: ['At the bed: the one key', ' '],
  keys: ['These keys', '?'],
};

const store = 'lapwright-keys';
let chosen = {};
let single = true;
try {
  const kept = JSON.parse(localStorage.getItem(store) || '{}');
  for (const [action, key] of Object.entries(kept.keys || {})) if (actions[action] && typeof key === 'string') chosen[action] = key;
  single = kept.single !== false;
} catch { /* as at first */ }

function save() {
  try { localStorage.setItem(store, JSON.stringify({ keys: chosen, single })); } catch { /* for this visit only */ }
}

export const keyOf = (action) => chosen[action] || actions[action][1];
const shown = { ArrowLeft: '←', ArrowRight: '→', ArrowUp: '↑', ArrowDown: '↓', ' ': 'Space', Escape: 'Esc' };
export const nameOf = (key) => shown[key] || key;

/// The action of a key press, or null: typing in a field is typing.
export function actionOf(event) {
  if (event.defaultPrevented || event.altKey || event.isComposing) return null;
  const at = event.target;
  if (at.matches('input:not([type=checkbox]), textarea, select')) return null;
  if (event.ctrlKey || event.metaKey) {
    if (event.key.toLowerCase() !== 'z') return null;
    return event.shiftKey ? 'redo' : 'undo';
  }
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if ((key === 'Enter' || key === ' ') && at.closest('a, button, summary, input')) return null;
  if (!single && key.length === 1) return null;
  return Object.keys(actions).find((a) => keyOf(a) === key) || null;
}

export function setUpDialog(onChange) {
  const dialog = document.getElementById('keys');
  const rows = document.getElementById('key-rows');
  const told = document.getElementById('key-told');
  const box = document.getElementById('single-keys');
  let asking = null;

  function draw() {
    box.checked = single;
    rows.replaceChildren(...Object.keys(actions).map((action) => {
      const row = document.createElement('tr');
      const what = row.insertCell();
      what.textContent = actions[action][0];
      const key = document.createElement('kbd');
      key.textContent = nameOf(keyOf(action));
      row.insertCell().append(key);
      const change = document.createElement('button');
      change.type = 'button';
      change.textContent = 'change';
      change.setAttribute('aria-label', `Change the key for: ${actions[action][0]}`);
      change.dataset.action = action;
      change.onclick = () => {
        asking = action;
        told.textContent = `Press the key for “${actions[action][0]}”.`;
      };
      row.insertCell().append(change);
      return row;
    }));
    onChange();
  }

  dialog.addEventListener('keydown', (event) => {
    if (!asking || ['Shift', 'Control', 'Alt', 'Meta', 'Tab'].includes(event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const other = Object.keys(actions).find((a) => a !== asking && keyOf(a) === key);
    const action = asking;
    asking = null;
    if (other) {
      told.textContent = `${nameOf(key)} is taken: “${actions[other][0]}”. Nothing was changed.`;
      return;
    }
    chosen[action] = key;
    save();
    draw();
    told.textContent = `“${actions[action][0]}” is now ${nameOf(key)}.`;
    rows.querySelector(`[data-action="${action}"]`).focus();
  }, true);
  dialog.addEventListener('close', () => { asking = null; told.textContent = ''; });
  box.onchange = () => { single = box.checked; save(); onChange(); };
  document.getElementById('keys-back').onclick = () => { chosen = {}; single = true; save(); draw(); told.textContent = 'The keys are as they were at first.'; };
  document.getElementById('keys-close').onclick = () => dialog.close();
  document.getElementById('open-keys').onclick = () => open();
  draw();
  function open() { if (!dialog.open) dialog.showModal(); }
  return open;
}
