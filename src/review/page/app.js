// Which view is on the table, the keys, who may do what, and the word about what is kept.
import { ask, askWhoIAm, change, me, outbox, turnedAway } from './api.js';
import { actionOf, setUpDialog } from './keys.js';
import { counted, make, tell } from './parts.js';
import { openChosen, openShelf } from './shelf.js';
import { openSheet } from './sheet.js';

const main = document.getElementById('work');
const kept = document.getElementById('kept');
let view = {};
let turn = 0;
let letIn = true;

// The code of a pairing link is taken out of the address at once, so that it stays in no history.
let code = '';
function takeCode() {
  const linked = location.hash.match(/^#\/pair\/([^/]*)$/);
  if (!linked) return;
  try { code = decodeURIComponent(linked[1]); } catch { code = ''; }
  history.replaceState(null, '', '#/');
}
takeCode();

turnedAway.add(function away() {
  if (!letIn) return;
  if (view.pane?.live) { setTimeout(away, 300); return; }  // a stroke is drawn to its end first
  letIn = false;
  showWho();
  go();
});

/// What this visitor may do stands there, and nothing else.
function showWho() {
  for (const e of document.querySelectorAll('[data-for]')) e.hidden = !letIn || e.dataset.for !== me.visitor;
  document.getElementById('me').textContent = me.tablet ? `Tablet ${me.tablet}` : '';
}

async function askWho() {
  try { await askWhoIAm(); } catch { /* turned away, or not reached: then nothing of the operator's is shown */ }
  showWho();
}

document.getElementById('leave').onclick = async () => {
  const waiting = outbox.waiting.length;
  if (waiting) { tell(`${counted(waiting, 'mark')} must be saved first.`); return; }
  try {
    await change('DELETE', '/api/me', {});
    for (const told of turnedAway) told();
  } catch (error) { tell(error.message); }
};

/// The operator hears of a tablet that asks wherever on the page he is.
setInterval(async () => {
  if (me.visitor !== 'operator' || !me.tablets || document.hidden) return;
  const link = document.querySelector('[data-place=tablets]');
  try {
    const { asking } = await ask('/api/tablets');
    const words = asking.length ? `Tablets: ${counted(asking.length, 'asks', 'ask')}` : 'Tablets';
    if (link.textContent !== words) link.textContent = words;
    link.classList.toggle('waiting', asking.length > 0);
  } catch { /* told elsewhere */ }
}, 2000);

outbox.listeners.add((waiting, trouble, unwritten) => {
  const words = waiting ? `${counted(waiting, 'mark')} not saved yet${unwritten ? '; keep this page open' : ''}` : 'Every mark is kept';
  if (kept.textContent !== words) kept.textContent = words;
  kept.classList.toggle('waiting', waiting > 0);
  if (trouble) tell(trouble);
});
addEventListener('beforeunload', (event) => { if (outbox.unwritten) event.preventDefault(); });

/// Places that are the same for whoever is let in.
const forAll = new Set(['roll', 'beside']);

async function go() {
  const mine = ++turn;
  view.close?.();
  view = {};
  const [place, ...rest] = location.hash.slice(2).split('/');
  if (letIn && !me.visitor) {
    const known = askWho();
    if (!forAll.has(place)) await known;  // a sheet's own question goes out beside it
    if (mine !== turn) return;
  }
  for (const a of document.querySelectorAll('[data-place]')) {
    if (a.dataset.place === (place || 'shelf')) a.setAttribute('aria-current', 'page');
    else a.removeAttribute('aria-current');
  }
  // A view that was left before it was there does not lie over the one gone to meanwhile.
  const table = { replaceChildren: (...all) => { if (mine === turn) main.replaceChildren(...all); } };
  try {
    let next;
    if (!letIn) {
      const given = code;
      code = '';
      next = await (await import('./pairing.js')).openPairing(table, given, async () => {
        letIn = true;
        await askWho();
        outbox.pump(true);
        go();
      });
    } else if (place === 'tablets' && me.visitor === 'operator') next = await (await import('./tablets.js')).openTablets(table);
    else if (place === 'roll') next = await openSheet(table, rest[0], decodeURIComponent(rest[1] || ''));
    else if (place === 'beside') next = await (await import('./beside.js')).openBeside(table, rest.map((r, i) => (i % 2 ? decodeURIComponent(r) : r)));
    else if (place === 'selects') next = await openChosen(table);
    else if (place === 'bed' && me.visitor === 'operator') next = await (await import('./bed.js')).openBed(table);
    else next = await openShelf(table);
    if (mine !== turn) { next.close?.(); return; }
    view = next;
    view.keysChanged?.();
  } catch (error) {
    if (mine !== turn || !letIn) return;
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
addEventListener('hashchange', () => { takeCode(); go(); });
go();
