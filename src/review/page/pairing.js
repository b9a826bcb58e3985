// The place where a tablet that is not let in asks for it: gives the station's code, then waits for the operator's word.
import { ask, change, outbox } from './api.js';
import { counted, make } from './parts.js';

export async function openPairing(main, code, done) {
  document.title = 'Not let in yet';
  let closed = false;
  let timer = 0;
  const field = make('input', { id: 'code', autocomplete: 'off', autocapitalize: 'characters', spellcheck: 'false', maxlength: 12, placeholder: 'ABCD-EFGH' });
  const send = make('button', { type: 'submit', text: 'Ask to be let in' });
  const said = make('p', { role: 'status' });
  const form = make('form', { onsubmit: (e) => { e.preventDefault(); give(field.value); } },
    make('label', { for: 'code', text: 'The code that the station shows' }), make('div', { class: 'row' }, field, send));
  const marks = outbox.waiting.length;
  main.replaceChildren(make('div', { class: 'letting' }, make('h1', { text: 'This tablet is not let in yet' }),
    make('div', { class: 'note' },
      make('p', { text: 'The station shows a square and a code of eight characters. Point the camera at the square, or type the code here; then somebody at the station admits this tablet.' }),
      form, said,
      marks ? make('p', { text: `${counted(marks, 'mark')} wait${marks === 1 ? 's' : ''} on this tablet and will be sent once it is let in.` }) : null),
    make('div', { class: 'note' }, make('h2', { text: 'The certificate' }),
      make('p', { text: 'The browser does not know who signed this page’s certificate: the station did. Compare the SHA-256 that the browser shows with the one at the station. To be asked no more, install the station’s own authority on this tablet; it can sign for addresses of a private network only.' }),
      make('p', {}, make('a', { href: '/station.crt', download: '', text: 'The station’s authority, to install' })))));

  function show(text, waits) {
    said.textContent = text;
    form.hidden = waits;
  }

  async function give(text) {
    if (!text.trim()) { show('Type the code first.', false); field.focus(); return; }
    send.disabled = true;
    try {
      const { tablet } = await change('PUT', '/api/pairing', { code: text });
      waitFor(tablet);
    } catch (error) {
      show(`Not taken: ${error.message}.`, false);
    }
    send.disabled = false;
  }

  function waitFor(tablet) {
    show(`Waiting: somebody at the station has to admit tablet ${tablet}.`, true);
    clearTimeout(timer);
    timer = setTimeout(look, 1200);
  }

  async function look() {
    if (closed) return;
    let now;
    try { now = await ask('/api/pairing'); } catch { timer = setTimeout(look, 3000); return; }
    if (closed) return;
    if (now.state === 'waiting') { waitFor(now.tablet); return; }
    if (now.state === 'refused') { show('The station refused this tablet. Another try needs a new code.', false); return; }
    if (now.state !== 'admitted') { show('Nobody admitted this tablet in time. Another try needs a new code.', false); return; }
    try {
      await change('PUT', '/api/pairing/session', {});
    } catch (error) {
      show(`Not let in: ${error.message}.`, false);
      return;
    }
    if (!closed) done();
  }

  const state = await ask('/api/pairing').catch(() => ({}));
  if (code) give(code);
  else if (state.state === 'waiting') waitFor(state.tablet);
  else if (state.state === 'admitted') look();
  return { close() { closed = true; clearTimeout(timer); } };
}
