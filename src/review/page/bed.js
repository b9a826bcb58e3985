// The bed: how the sleeve is to lie, the next thing to do, and the one key.
import { ask, change } from './api.js';
import { drawLay } from './lay.js';
import { keyOf, nameOf } from './keys.js';
import { button, counted, make, tell } from './parts.js';

export async function openBed(main) {
  const view = new BedView(main);
  await view.ask();
  view.listen();
  return view;
}

const clock = (date) => date.toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' });
/// "40 s", "3 min".
function span(seconds) {
  if (seconds < 90) return `${Math.max(0, Math.round(seconds))} s`;
  const minutes = Math.round(seconds / 60);
  return minutes < 90 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}
const sentence = (text) => (text[0].toUpperCase() + text.slice(1)).replace(/[^.!?]$/, '$&.');
/// What stands between backticks is something to type; its words are not broken.
const words = (text) => text.split('`').map((part, i) => (i % 2 ? make('kbd', {}, ...part.split(' ').flatMap((w, n) => [n ? ' ' : '', make('span', { text: w })])) : part));
/// Only what has changed is written: what has not is not read out again.
function write(element, text) {
  if (element.dataset.text === text) return;
  element.dataset.text = text;
  element.replaceChildren(...words(text));
}

class BedView {
  constructor(main) {
    document.title = 'The bed';
    this.state = { running: false, about: 'stopped', finishing: [] };
    this.known = { queue: [], last: null, archive: '' };
    this.which = make('p', { class: 'about which' });
    this.say = make('h1', {});
    this.wrong = make('p', { class: 'wrong', role: 'alert' });
    this.start = make('pre', {});
    this.way = make('progress', { max: 1, 'aria-label': 'This pass' });
    this.clock = make('p', { class: 'clock' });
    this.after = make('p', { class: 'about' });
    this.keyWord = make('span', {});
    this.keyName = make('kbd', {});
    this.key = button('', () => this.press(), { class: 'the-key' });
    this.key.append(this.keyWord, make('small', {}, 'the key ', this.keyName));
    this.cancelButton = button('Cancel this pass', () => this.cancel());
    this.stage = make('figure', { class: 'stage' });
    this.legend = make('figcaption', {});
    this.queue = make('ul', { class: 'queue' });
    this.queueTitle = make('h2', {});
    this.last = make('div', { class: 'last' });
    main.replaceChildren(make('div', { class: 'bedside' },
      make('section', { class: 'slip next', 'aria-label': 'What to do' },
        this.which, this.wrong, make('div', { 'aria-live': 'polite' }, this.say), this.start, this.way, this.clock, this.after, this.key, this.cancelButton),
      make('section', { class: 'lies', 'aria-label': 'The bed from above' }, this.stage),
      make('section', { class: 'slip then', 'aria-label': 'What comes after', tabindex: 0 }, make('div', {}, this.queueTitle, this.queue), this.last)));
    this.watch = new ResizeObserver(() => this.draw());
    this.watch.observe(this.stage);
    this.timer = setInterval(() => { if (!document.hidden) this.ask().catch(() => {}); }, 15000);
  }

  close() {
    this.closed = true;
    this.events?.close();
    this.watch.disconnect();
    clearInterval(this.timer);
    clearTimeout(this.silence);
  }

  keysChanged() { this.keyName.textContent = nameOf(keyOf('press')); }

  /// What waits, and the last proof: the ledger's side.
  async ask() {
    const now = await ask('/api/station');
    if (this.closed) return;
    this.known = now;
    if (!this.events || this.events.readyState !== EventSource.OPEN) this.state = now.station;
    this.show();
  }

  listen() {
    this.events = new EventSource('/api/station/events');
    const heard = () => { clearTimeout(this.silence); this.deaf = false; };
    this.events.addEventListener('whole', (e) => { heard(); this.take(JSON.parse(e.data)); });
    this.events.onmessage = (e) => {
      heard();
      const next = { ...this.state, ...JSON.parse(e.data) };
      for (const [name, value] of Object.entries(next)) if (value === null) delete next[name];
      this.take(next);
    };
    this.events.onerror = () => {
      clearTimeout(this.silence);
      this.silence = setTimeout(() => {
        if (this.closed) return;
        this.deaf = true;
        this.show();
        if (this.events.readyState === EventSource.CLOSED) { this.events.close(); this.listen(); }  // it was refused: once more, later
      }, 2500);
    };
  }

  take(next) {
    if (this.closed) return;
    const mark = (s) => [s.running, s.place?.at, s.done?.at, s.waiting?.at, s.fault?.at, ...s.finishing.map((f) => f.roll)].join();
    const other = mark(next) !== mark(this.state);
    this.state = next;
    this.show();
    if (other) this.ask().catch(() => {});
  }

  /// The pass that the drawing shows: the one that is captured, else the one to be laid.
  get shown() {
    const s = this.state;
    return (s.about === 'capturing' || s.about === 'checking') && s.pass ? s.pass : s.place;
  }

  show() {
    const s = this.state;
    const about = this.deaf ? 'deaf' : s.running ? s.about : 'stopped';
    const pass = s.running ? this.shown : null;
    write(this.which, pass ? `${pass.roll}: ${pass.job === 'full' ? 'frames at full resolution' : 'proof'}, pass ${pass.pass} of ${pass.of}` : '');
    write(this.wrong, [s.again && `Pass ${s.again.pass} once more. ${sentence(s.again.say)}`, s.fault && sentence(s.fault.say)].filter(Boolean).join(' '));
    write(this.say, {
      deaf: 'This page has lost its program, `lapwright review`; it looks for it again.',
      stopped: 'No station is at work on this archive.',
      seeking: s.finishing.at(-1)?.say || 'The station looks for what comes next.',
      waiting: s.waiting?.say || 'No roll waits.',
      placing: s.place?.say || '',
      looking: s.busy?.say || 'A quick look at how it lies. Leave it lying, the lid closed.',
      capturing: s.busy?.say || 'The lamp is on its way. Leave the sleeve and the lid alone.',
      checking: 'The pass is there. How it lies on the others is being checked.',
    }[about]);
    write(this.start, about === 'stopped' ? `Start it on this machine, in a terminal: \`lapwright station --key page --archive '${this.known.archive.replaceAll("'", "'\\''")}'\`` : '');
    this.progress(about);
    const asks = about === 'placing' && s.place.at !== this.sent;
    this.key.hidden = about === 'stopped' || about === 'deaf' || about === 'waiting';
    this.key.setAttribute('aria-disabled', String(!asks));
    write(this.keyWord, about !== 'placing' ? 'Nothing to press now' : !asks ? 'Heard' : s.place.job === 'full' ? 'It lies on the glass' : 'It lies as drawn');
    this.cancelButton.hidden = about !== 'looking' && about !== 'capturing';
    this.showAfter();
    this.draw();
  }

  progress(about) {
    const c = about === 'capturing' ? this.state.capture : null;
    this.way.hidden = !c;
    this.way.value = c && c.of > 0 ? Math.min(1, c.line / c.of) : 0;
    this.clock.textContent = c ? `Done at ${clock(new Date(Date.parse(c.at) + c.seconds_left * 1000))}: ${span(c.seconds_left)} left` : '';
    const more = this.shown && about === 'capturing' ? this.shown.of - this.shown.pass : 0;
    write(this.after, more > 0 ? `Then ${counted(more, 'more pass', 'more passes')}, about ${span(this.shown.seconds_after)}.` : '');
    const title = about === 'placing' ? 'Your turn: the bed' : c ? `${span(c.seconds_left)} left: the bed` : 'The bed';
    if (document.title !== title) document.title = title;
  }

  showAfter() {
    const s = this.state;
    const at = s.running ? this.shown?.roll : '';
    const lines = s.finishing.map((f) => [f.roll, f.step]);
    const gone = new Set(s.finishing.map((f) => f.roll));
    for (const q of this.known.queue)
      if (q.roll !== at && !(q.job === 'proof' && gone.has(q.roll))) lines.push([q.roll, q.job === 'proof' ? 'proof' : `${counted(q.frames.length, 'frame')} at full: ${q.frames.join(', ')}`]);
    const text = JSON.stringify(lines);
    if (this.queue.dataset.text !== text) {
      this.queue.dataset.text = text;
      this.queueTitle.textContent = lines.length ? 'Then' : 'Nothing more waits';
      this.queue.replaceChildren(...lines.map(([roll, what]) => make('li', {}, make('b', { text: roll }), make('span', { text: what }))));
    }
    const last = this.known.last;
    const id = last ? last.image : '';
    if (this.last.dataset.text === id) return;
    this.last.dataset.text = id;
    this.last.replaceChildren(...(last ? [make('h2', { text: 'The last proof' }), make('a', { href: `#/roll/${last.address}` },
      make('img', { src: `${last.image}/full/${last.small.width},${last.small.height}/0/default.jpg`, width: last.small.width, height: last.small.height, alt: '' }),
      make('span', { text: last.roll }))] : []));
  }

  draw() {
    const s = this.state;
    const pass = s.running ? this.shown : null;
    if (pass) this.drawing = pass.drawing;
    this.stage.hidden = !this.drawing;
    if (!this.drawing) return;
    // How it lay is worth seeing where that was wrong and, quietly, while the bed is at work.
    const look = s.look?.found && (s.about === 'placing' ? s.again : s.about !== 'seeking') && !(pass?.job === 'full' && pass === s.pass) ? s.look : null;
    const off = look && (look.off_mm > 1 || Math.abs(look.off_degrees) > 0.5);
    const c = s.about === 'capturing' ? s.capture : null;
    drawLay(this.stage, this.legend, this.drawing, {
      sleeve: Boolean(pass),
      measured: off ? look.lay.sleeve_to_bed : null,
      good: !s.again,
      done: c && c.of > 0 ? Math.min(1, c.line / c.of) : null,
    });
  }

  async press() {
    const place = this.state.about === 'placing' && !this.deaf ? this.state.place : null;
    if (!place || this.sent === place.at) return;
    this.sent = place.at;
    this.show();
    setTimeout(() => { if (this.sent === place.at) { this.sent = ''; if (!this.closed) this.show(); } }, 2000);  // not heard after all
    try {
      await change('POST', '/api/station/key', { place: place.at });
    } catch (error) {
      this.sent = '';
      this.show();
      tell(`Not heard: ${error.message}.`);
    }
  }

  async cancel() {
    try {
      await change('POST', '/api/station/cancel', {});
      tell('The pass ends as soon as the flatbed can stop.');
    } catch (error) {
      tell(`Not heard: ${error.message}.`);
    }
  }

  act(action, event) {
    if (action !== 'press' && action !== 'closer') return false;
    if (!event?.repeat) this.press();
    return undefined;
  }
}
