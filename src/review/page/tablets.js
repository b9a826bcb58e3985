// The operator's view of who is let in from other machines: the code, who asks, who was admitted.
import { ask, change } from './api.js';
import { button, counted, make, tell } from './parts.js';

/// A SHA-256 in two lines, so that it can be read aloud.
const print = (sum) => make('p', { class: 'print', text: `${sum.slice(0, 48)}\n${sum.slice(48)}` });
const minute = (time) => new Date(time).toLocaleString([], { dateStyle: 'medium', timeStyle: 'short' });

export async function openTablets(main) {
  document.title = 'Tablets';
  const page = make('div', { class: 'letting' });
  let drawn = '';
  let square = '';
  let timer = 0;
  let closed = false;

  async function act(deed, said) {
    try {
      await deed();
      if (said) tell(said);
    } catch (error) { tell(error.message); }
    await look();
  }

  function asks(a) {
    return make('section', { class: 'note asks', 'aria-label': `Tablet ${a.tablet} asks` },
      make('h2', { text: `Tablet ${a.tablet}, ${a.address}, asks to be let in` }),
      make('p', { text: 'Admit it when it is the one in your hand: it shows the same name.' }),
      make('div', { class: 'row' },
        button('Admit it', () => act(() => change('PUT', `/api/tablets/asking/${a.tablet}`, { admit: true }), `Tablet ${a.tablet} is admitted`)),
        button('Refuse it', () => act(() => change('PUT', `/api/tablets/asking/${a.tablet}`, { admit: false }), `Tablet ${a.tablet} is refused`))));
  }

  function door(now) {
    if (!now.open) {
      return make('section', { class: 'note' }, make('p', { text: now.url ? 'Tablets are not let in any more. `lapwright review --tablets ADDRESS` lets them in again.'
        : 'Tablets are not let in: this page is for this machine alone. `lapwright review --tablets ADDRESS` lets them in.' }));
    }
    const code = now.code;
    return make('section', { class: 'note' }, make('h2', { text: 'Let one in' }),
      code ? make('p', { text: 'Point the tablet’s camera at the square, or open the address there and type the code. It is good for one tablet.' })
        : make('p', { text: 'The code before is used, or its time is over.' }),
      code ? make('img', { class: 'square', src: square, width: 300, height: 300, alt: `The address ${now.url} with the code` }) : null,
      code ? make('p', { class: 'code', text: code.text }) : null,
      make('p', { text: now.url }),
      make('div', { class: 'row' }, button('A new code', () => act(() => change('PUT', '/api/tablets/code', {}))),
        button('Let no one in any more', () => act(() => change('PUT', '/api/tablets/door', { open: false }), 'Tablets are not let in any more'))),
      make('p', { text: `Until ${minute(now.until)}. SHA-256 of the certificate, as the tablet’s browser shows it:` }), print(now.fingerprint),
      make('p', {}, 'To be asked no more there, install ', make('a', { href: '/station.crt', download: '', text: 'the station’s authority' }), ' on the tablet; its SHA-256:'),
      print(now.authority_fingerprint));
  }

  function known(tablets) {
    const rows = tablets.map((t) => make('tr', {}, make('td', { text: t.tablet }), make('td', { text: t.address }), make('td', { text: minute(t.admitted) }),
      make('td', { text: minute(t.seen) }), make('td', {}, button('Forget', () => act(() => change('DELETE', `/api/tablets/${t.tablet}`, {}), `Tablet ${t.tablet} is forgotten`), { 'aria-label': `Forget tablet ${t.tablet}` }))));
    return make('section', { class: 'note' }, make('h2', { text: tablets.length ? `${counted(tablets.length, 'tablet')} may come in` : 'No tablet may come in' }),
      tablets.length ? make('table', {}, make('thead', {}, make('tr', {}, ...['Tablet', 'Address', 'Admitted', 'Last seen', 'End it'].map((t) => make('th', { scope: 'col', text: t })))), make('tbody', {}, ...rows)) : null,
      tablets.length > 1 ? make('div', { class: 'row' }, button('Forget all', () => act(() => change('DELETE', '/api/tablets/all', {}), 'Every tablet is forgotten'))) : null);
  }

  async function look() {
    clearTimeout(timer);
    let now;
    try { now = await ask('/api/tablets'); } catch (error) { tell(error.message); }
    if (closed) return;
    timer = setTimeout(look, 1500);
    // Drawn anew only when something changed, so that a button stays under the finger.
    const shape = now && JSON.stringify({ ...now, code: now.code?.text, asking: now.asking.map((a) => a.tablet), tablets: now.tablets.map((t) => [t.tablet, minute(t.seen)]) });
    if (!now || shape === drawn) return;
    drawn = shape;
    square = `/api/tablets/code.svg?${Date.now()}`;
    page.replaceChildren(make('h1', { text: 'Tablets' }), ...now.asking.map(asks), door(now), known(now.tablets));
  }

  await look();
  main.replaceChildren(page);
  return { close() { closed = true; clearTimeout(timer); } };
}
