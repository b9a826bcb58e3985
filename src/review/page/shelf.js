// The table with the proofs on it, and the chosen frames of all rolls.
import { ask } from './api.js';
import { counted, make } from './parts.js';

export async function openShelf(main) {
  document.title = 'The table';
  const shelf = await ask('/api/shelf');
  const page = make('div', { class: 'shelf' }, make('h1', { text: shelf.rolls.length ? 'Proofs on the table' : 'The table is empty' }));
  if (!shelf.rolls.length) page.append(make('p', { text: 'A roll lies here once the station has made its proof.' }));
  page.append(make('ul', { class: 'proofs' }, ...shelf.rolls.map((r) => {
    const c = r.counts || {};
    const said = ['select', 'alt', 'kill'].filter((w) => c[w]).map((w) => `${c[w]} ${w}`).join(', ');
    return make('li', {}, make('a', { href: `#/roll/${r.address}` },
      make('div', { class: 'sheet' }, make('img', { src: `${r.image}/full/${r.small.width},${r.small.height}/0/default.jpg`, width: r.small.width, height: r.small.height, alt: '', loading: 'lazy' })),
      make('div', { class: 'label' }, make('b', { text: r.roll }),
        make('span', { text: [r.stock, r.shot].filter(Boolean).join(', ') }),
        make('span', { text: `${counted(r.frames, 'frame')}${said ? `: ${said}` : ', none judged yet'}` }))));
  })));
  if (shelf.waiting.length)
    page.append(make('h2', { text: 'Waiting for their proof' }), make('p', { text: shelf.waiting.map((w) => w.roll).join(', ') }));
  for (const c of shelf.cautions) page.append(make('p', { role: 'alert', text: c }));
  main.replaceChildren(page);
  return {};
}

export async function openChosen(main) {
  document.title = 'Chosen frames';
  const { selects } = await ask('/api/selects');
  const alts = make('input', { type: 'checkbox' });
  const list = make('ul', {});
  const title = make('h1', {});
  const draw = () => {
    const shown = selects.filter((s) => s.verdict === 'select' || alts.checked);
    title.textContent = shown.length ? counted(shown.length, 'chosen frame') : 'No frame is chosen yet';
    list.replaceChildren(...shown.map((s) => {
      let [x, y, w, h] = s.region.split(',').map(Number);
      const k = Math.min(1, 480 / Math.max(w, h));
      return make('li', {}, make('a', { href: `#/roll/${s.address}/${encodeURIComponent(s.frame)}` },
        make('div', { class: 'print' }, make('img', { src: `${s.image}/${x},${y},${w},${h}/${Math.max(1, Math.round(w * k))},${Math.max(1, Math.round(h * k))}/0/default.jpg`, alt: '', loading: 'lazy' })),
        make('div', { class: 'label' }, make('b', { text: `${s.roll}, frame ${s.frame}` }),
          make('span', { text: s.verdict + (s.crop ? ', with a crop line' : '') }), s.note ? make('span', { text: s.note }) : null)));
    }));
  };
  alts.onchange = draw;
  draw();
  main.replaceChildren(make('div', { class: 'chosen' }, title, make('label', { class: 'switch' }, alts, ' Show alts too'), list));
  return {};
}
