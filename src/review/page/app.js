// Which view is on the table, the keys, and the word about what is kept.
import { outbox } from './api.js';
import { openBed } from './bed.js';
import { openBeside } from './beside.js';
import { actionOf, setUpDialog } from './keys.js';
import { counted, make, tell } from './parts.js';
import { openChosen, openShelf } from './shelf.js';
import { openSheet } from './sheet.js';

const main = document.getElementById('work');
const kept = document.getElementById('kept');
let view = {};
let turn = 0;

outbox.listeners.add((waiting, trouble, unwritten) => {
  const words = waiting ? `${counted(waiting, 'mark')} not saved yet${unwritten ? '; keep this page open' : ''}` : 'Every mark is kept';
  if (kept.textContent !== words) kept.textContent = words;
  kept.classList.toggle('waiting', waiting > 0);
  if (trouble) tell(trouble);
});
addEventListener('beforeunload', (event) => { if (outbox.unwritten) event.preventDefault(); });

async function go() {
  const mine = ++turn;
  view.close?.();
  view = {};
  const [place, ...rest] = location.hash.slice(2).split('/');
  for (const a of document.querySelectorAll('[data-place]')) {
    if (a.dataset.place === (place || 'shelf')) a.setAttribute('aria-current', 'page');
    else a.removeAttribute('aria-current');
  }
  try {
    let next;
    if (place === 'roll') next = await openSheet(main, rest[0], decodeURIComponent(rest[1] || ''));
    else if (place === 'beside') next = await openBeside(main, rest.map((r, i) => (i % 2 ? decodeURIComponent(r) : r)));
    else if (place === 'selects') next = await openChosen(main);
    else if (place === 'bed') next = await openBed(main);
    else next = await openShelf(main);
    if (mine !== turn) { next.close?.(); return; }
    view = next;
    view.keysChanged?.();
  } catch (error) {
    if (mine !== turn) return;
    main.replaceChildren(make('div', { class: 'shelf' }, make('h1', { text: 'This cannot be shown' }), make('p', { role: 'alert', text: error.message })));
  }
}

const openKeys = setUpDialog(() => view.keysChanged?.());
document.querySelector('[data-skip]').addEventListener('click', (event) => { event.preventDefault(); main.focus(); });
document.addEventListener('keydown', (event) => {
  if (document.querySelector('dialog[open]')) return;
  const action = actionOf(event);
  if (!action) return;
  if (action === 'table') location.hash = '#/';
  else if (action === 'chosen') location.hash = '#/selects';
  else if (action === 'bed') location.hash = '#/bed';
  else if (action === 'keys') openKeys();
  else if (!view.act || view.act(action, event) === false) return;
  event.preventDefault();
});
addEventListener('hashchange', go);
go();
