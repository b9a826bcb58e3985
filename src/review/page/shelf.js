// The table with the proofs on it, and the chosen frames of all rolls.
import { ask, change, me } from './api.js';
import { counted, make, tell } from './parts.js';

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
  const full = make('button', { type: 'button' });
  const toMake = () => selects.filter((s) => s.verdict === 'select' && !s.at_full && !s.due);
  full.onclick = async () => {
    const rolls = new Map();
    for (const s of toMake()) rolls.set(s.address, [...(rolls.get(s.address) || []), s]);
    full.disabled = true;
    try {
      for (const [address, frames] of rolls) {
        await change('PUT', `/api/rolls/${address}/wants`, { frames: frames.map((s) => s.frame) });
        for (const s of frames) s.due = true;
      }
      tell('They wait for the station: put the sleeve on the glass, whichever way round, and press the key.');
    } catch (error) {
      tell(`Not asked for: ${error.message}`);
    }
    draw();
  };
  const draw = () => {
    const open = toMake().length;
    full.hidden = open === 0 || me.visitor !== 'operator';
    full.disabled = false;
    full.textContent = `Ask for ${counted(open, 'select')} at full resolution`;
    const shown = selects.filter((s) => s.verdict === 'select' || alts.checked);
    title.textContent = shown.length ? counted(shown.length, 'chosen frame') : 'No frame is chosen yet';
    list.replaceChildren(...shown.map((s) => {
      let [x, y, w, h] = s.region.split(',').map(Number);
      const k = Math.min(1, 480 / Math.max(w, h));
      return make('li', {}, make('a', { href: `#/roll/${s.address}/${encodeURIComponent(s.frame)}` },
        make('div', { class: 'print' }, make('img', { src: `${s.image}/${x},${y},${w},${h}/${Math.max(1, Math.round(w * k))},${Math.max(1, Math.round(h * k))}/0/default.jpg`, alt: '', loading: 'lazy' })),
        make('div', { class: 'label' }, make('b', { text: `${s.roll}, frame ${s.frame}` }),
          make('span', { text: s.verdict + (s.crop ? ', with a crop line' : '') + (s.at_full ? ', at full' : s.due ? ', waits to be made at full' : '') }), s.note ? make('span', { text: s.note }) : null)));
    }));
  };
  alts.onchange = draw;
  draw();
  main.replaceChildren(make('div', { class: 'chosen' }, title, make('div', { class: 'tools' }, make('label', { class: 'switch' }, alts, ' Show alts too'), full, make('a', { href: '/api/marks.csv', download: '', text: 'Take the list away as a table' })), list));
  return {};
}
