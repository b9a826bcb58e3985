// The view of one sheet: look, mark, choose.
import { newId, outbox, roll as askRoll } from './api.js';
import { Ink, distance, outlineOf } from './ink.js';
import { keyOf, nameOf } from './keys.js';
import { Loupe } from './loupe.js';
import { Pane, firstPicture, frameBox, neighbour, viewerThere } from './pane.js';
import { button, frameOptions, make, tell } from './parts.js';
import { Trim } from './trim.js';

const pencil = { colour: 'red', width: 0.9 };  // stays from sheet to sheet

export async function openSheet(main, address, frameName) {
  const roll = await askRoll(address);
  const light = make('section', { class: 'light', 'aria-label': 'The sheet under the light' });
  const slip = make('aside', { class: 'slip', 'aria-label': 'Slip for this roll' });
  main.replaceChildren(make('div', { class: 'bench' }, light, slip));
  await Promise.all([viewerThere, frameName ? null : firstPicture(light, roll)]);
  const view = new SheetView(light, slip, roll, address);
  view.choose(roll.frames.find((f) => f.frame === frameName) || roll.frames[0] || null, false);
  if (frameName && view.frame) view.pane.opened.then(() => view.pane.show(frameBox(view.frame))).catch(() => {});
  return view;
}

class SheetView {
  constructor(light, slip, roll, address) {
    this.roll = roll;
    this.base = `/api/rolls/${address}/`;
    this.address = address;
    this.done = [];
    this.undone = [];
    this.how = { ...pencil, draws: false, erases: false, crops: false };
    document.title = `${roll.roll}: sheet`;

    this.light = light;
    this.slip = slip;
    this.mode = make('p', { class: 'mode', role: 'status' });
    this.light.append(this.mode);
    this.trim = new Trim(this);
    this.writeSlip();
    this.pane = new Pane(this.light, roll);
    this.trim.attach();
    this.loupe = new Loupe(this);
    this.pane.opened.catch((e) => tell(e.message));
    this.ink = new Ink(this.pane, this.how, {
      done: (stroke) => this.addStroke(stroke),
      erase: (x, y, reach) => this.eraseAt(x, y, reach),
      crop: (phase, x, y) => this.dragCrop(phase, x, y),
    });
    this.pane.viewer.addHandler('canvas-click', (e) => {
      if (!e.quick) return;
      const p = this.pane.viewer.viewport.viewerElementToImageCoordinates(e.position);
      const k = this.pane.sheet;
      const hit = this.pane.frameAt(p.x / k.pixels_per_mm + k.origin[0], p.y / k.pixels_per_mm + k.origin[1]);
      if (hit) this.choose(hit, false);
    });
    this.pane.viewer.addHandler('canvas-double-click', () => { if (this.frame) this.pane.show(frameBox(this.frame)); });
    this.timer = setInterval(() => { if (!document.hidden) this.refresh(); }, 20000);
    this.seen = () => { if (!document.hidden) this.refresh(); };
    document.addEventListener('visibilitychange', this.seen);
  }

  close() {
    this.saveNote();
    this.trim.close();
    this.loupe.close();
    clearInterval(this.timer);
    document.removeEventListener('visibilitychange', this.seen);
    this.pane.close();
  }

  writeSlip() {
    const r = this.roll;
    this.pick = make('select', { id: 'frame-pick', onchange: () => this.choose(r.frames.find((f) => f.frame === this.pick.value), true) });
    this.verdicts = make('div', { class: 'verdicts', role: 'group', 'aria-label': 'Verdict' });
    for (const [word, shown] of [['select', 'select'], ['alt', 'alt'], ['kill', 'kill'], [null, 'none']])
      this.verdicts.append(button(shown, () => this.judge(word), { data: { verdict: word || 'none' }, 'aria-pressed': 'false' }));
    this.note = make('textarea', { id: 'note', maxlength: 1900, spellcheck: 'true' });
    this.note.onblur = () => this.saveNote();
    this.note.oninput = () => { clearTimeout(this.noteTimer); this.noteTimer = setTimeout(() => this.saveNote(), 1500); };
    this.note.onkeydown = (e) => {
      if (e.key === 'Escape' || (e.key === 'Enter' && (e.ctrlKey || e.metaKey))) { e.preventDefault(); e.stopPropagation(); this.note.blur(); this.pane.viewer.canvas.focus(); }
    };
    this.waxes = make('div', { class: 'wax', role: 'group', 'aria-label': 'Pencil' });
    for (const colour of ['red', 'yellow', 'white', 'blue']) {
      const b = button('', () => this.take(colour), { data: { colour }, 'aria-pressed': 'false' });
      b.append(make('i', { 'aria-hidden': 'true' }), colour);
      this.waxes.append(b);
    }
    this.points = make('div', { class: 'row', role: 'group', 'aria-label': 'Point' },
      button('fine', () => this.point(0.45), { data: { width: 0.45 } }), button('broad', () => this.point(0.9), { data: { width: 0.9 } }));
    this.drawButton = button('Mouse and finger draw', () => this.setMode('draws'), { 'aria-pressed': 'false', id: 'draw-mode' });
    this.eraseButton = button('Eraser', () => this.setMode('erases'), { 'aria-pressed': 'false' });
    this.undoButton = button('Undo', () => this.undo());
    this.redoButton = button('Do again', () => this.redo());
    this.cropButton = button('Draw it', () => this.setMode('crops'), { 'aria-pressed': 'false' });
    this.cropOff = button('Take it away', () => this.setCrop(null));
    this.sides = {};
    const sides = make('div', { class: 'crop-sides', role: 'group', 'aria-label': 'Crop line: how far off each side of the frame' });
    for (const side of ['left', 'top', 'right', 'bottom']) {
      const input = make('input', { type: 'number', min: 0, step: 0.5, inputmode: 'decimal', onchange: () => this.cropFromSides() });
      this.sides[side] = input;
      sides.append(make('label', {}, `${side}, mm`, input));
    }
    this.loupeButton = button('Loupe', () => this.loupe.set(!this.loupe.on), { id: 'loupe-lay', 'aria-pressed': 'false' });
    this.slip.replaceChildren(
      make('h1', { text: r.roll }),
      make('p', { class: 'about', text: [r.stock, r.shot && `shot ${r.shot}`, r.note].filter(Boolean).join(' · ') }),
      make('label', {}, 'Frame', this.pick), this.trim.section,
      make('h2', { text: 'Verdict' }), this.verdicts,
      make('h2', {}, make('label', { for: 'note', text: 'Note' })), this.note,
      make('h2', { text: 'Pencil' }), this.waxes, this.points,
      make('div', { class: 'row' }, this.drawButton), make('div', { class: 'row' }, this.eraseButton, this.undoButton, this.redoButton),
      make('h2', { text: 'Crop line' }), make('div', { class: 'row' }, this.cropButton, this.cropOff), sides,
      make('h2', { text: 'Look' }),
      make('div', { class: 'row' }, button('Whole sheet', () => this.pane.showAll()), button('Frame', () => this.frame && this.pane.show(frameBox(this.frame))),
        button('Grain', () => this.toGrain())),
      make('div', { class: 'row' }, this.loupeButton, this.trim.button),
      make('div', { class: 'row' }, button('Nearer', () => this.pane.zoom(1.6)), button('Farther', () => this.pane.zoom(1 / 1.6)),
        button('Without marks', () => this.act('bare')), button('Beside another', () => this.beside())),
      make('h2', { text: 'Paper' }), make('p', {}, make('a', { href: `/api/rolls/${r.address}/marked.pdf`, download: '', text: 'The marked sheet at 1:1' })));
    if (!r.frames.length) this.slip.insertBefore(make('p', { text: 'No frames were found on this sheet; ink still works.' }), this.pick.parentElement);
    this.showState();
  }

  showState() {
    frameOptions(this.pick, this.roll.frames, this.frame);
    for (const b of this.verdicts.children) {
      b.setAttribute('aria-pressed', String((this.frame?.verdict || 'none') === b.dataset.verdict));
      b.disabled = !this.frame;
    }
    for (const b of this.waxes.children) b.setAttribute('aria-pressed', String(b.dataset.colour === this.how.colour));
    for (const b of this.points.children) b.setAttribute('aria-pressed', String(Number(b.dataset.width) === this.how.width));
    this.drawButton.setAttribute('aria-pressed', String(this.how.draws));
    this.eraseButton.setAttribute('aria-pressed', String(this.how.erases));
    this.cropButton.setAttribute('aria-pressed', String(this.how.crops));
    this.cropOff.disabled = !this.frame?.crop;
    this.cropButton.disabled = !this.frame;
    this.undoButton.disabled = !this.done.length;
    this.redoButton.disabled = !this.undone.length;
    if (this.frame && document.activeElement !== this.note) this.note.value = this.frame.note;
    this.note.disabled = !this.frame;
    const box = this.frame && frameBox(this.frame);
    const [x, y, w, h] = this.frame?.crop || (box ? [box.x, box.y, box.width, box.height] : [0, 0, 0, 0]);
    const off = box ? { left: x - box.x, top: y - box.y, right: box.x + box.width - x - w, bottom: box.y + box.height - y - h } : {};
    for (const [side, input] of Object.entries(this.sides)) {
      input.disabled = !this.frame;
      if (document.activeElement !== input) input.value = box ? String(Math.max(0, Math.round(off[side] * 10) / 10)) : '';
    }
    const { draws, erases, crops } = this.how;
    this.light.classList.toggle('draws', draws || erases || crops);
    this.mode.textContent = erases ? 'Eraser: pen, mouse and finger rub out; two fingers move the sheet'
      : crops ? 'Drag the crop line on the frame' : draws ? 'Mouse and finger draw; two fingers move the sheet' : '';
    if (this.pane) { this.pane.current = this.frame; this.pane.draw(); }
    this.trim.look();
  }

  choose(frame, follow) {
    if (!frame || frame === this.frame) return;
    this.saveNote();
    this.frame = frame;
    history.replaceState(null, '', `#/roll/${this.address}/${encodeURIComponent(frame.frame)}`);
    if (follow && this.pane) {
      const b = frameBox(frame);
      const close = this.pane.closeness(b);
      if (close === 2) this.pane.grain(b);
      else if (close === 1) this.pane.show(b);
    }
    this.showState();
  }

  /// Remembers how to take a deed back and do it again, and does it.
  deed(act) {
    this.done.push(act);
    if (this.done.length > 500) this.done.shift();
    this.undone = [];
    act.do();
    this.showState();
  }
  undo() { const a = this.done.pop(); if (a) { a.undo(); this.undone.push(a); this.showState(); } }
  redo() { const a = this.undone.pop(); if (a) { a.do(); this.done.push(a); this.showState(); } }

  set(frame, member, value) {
    frame[member] = value;
    outbox.put('PUT', `${this.base}frames/${encodeURIComponent(frame.frame)}/${member}`, { [member]: value });
  }

  change(member, value) {
    const frame = this.frame;
    const before = frame?.[member];
    if (!frame || JSON.stringify(before) === JSON.stringify(value)) return;
    this.deed({ do: () => this.set(frame, member, value), undo: () => this.set(frame, member, before) });
  }

  judge(word) {
    if (!this.frame) return;
    this.change('verdict', word);
    tell(`Frame ${this.frame.frame}: ${word || 'no verdict'}`);
  }

  saveNote() {
    clearTimeout(this.noteTimer);
    if (this.frame && this.note.value !== this.frame.note) this.change('note', this.note.value);
  }

  addStroke(stroke) {
    const add = { do: () => this.keepStroke(stroke), undo: () => this.dropStroke(stroke) };
    this.deed(add);
  }
  keepStroke(stroke) {
    const { outline, path } = outlineOf(stroke);
    stroke.id = newId();  // drawn again is another mark: the station forgets none that it was told
    stroke.path = path;
    this.roll.ink.push(stroke);
    this.pane.draw();
    const flat = outline.flat().map((v) => Math.round(v * 1000) / 1000);
    outbox.put('PUT', `${this.base}ink/${stroke.id}`, { colour: stroke.colour, width: stroke.width, samples: stroke.samples, outline: flat });
  }
  dropStroke(stroke) {
    const i = this.roll.ink.findIndex((s) => s.id === stroke.id);
    if (i >= 0) this.roll.ink.splice(i, 1);
    this.pane.draw();
    outbox.put('DELETE', `${this.base}ink/${stroke.id}`);
  }
  eraseAt(x, y, reach) {
    for (const stroke of this.roll.ink.filter((s) => distance(s, x, y) < reach + s.width / 2))
      this.deed({ do: () => this.dropStroke(stroke), undo: () => this.keepStroke(stroke) });
  }

  take(colour) { this.how.colour = pencil.colour = colour; this.how.erases = false; this.showState(); }
  point(width) { this.how.width = pencil.width = width; this.showState(); }
  setMode(mode) {
    const on = !this.how[mode];
    Object.assign(this.how, { draws: false, erases: false, crops: false, [mode]: on });
    this.pane.cropDraft = null;
    if (mode === 'crops' && on && this.frame && this.pane.closeness() === 0) this.pane.show(frameBox(this.frame));
    this.showState();
  }

  setCrop(crop) {
    this.change('crop', crop && crop.map((v) => Math.round(v * 1000) / 1000));
  }
  clipCrop(x0, y0, x1, y1) {
    const b = frameBox(this.frame);
    const clip = (v, from, length) => Math.min(from + length, Math.max(from, v));
    const [l, r] = [clip(Math.min(x0, x1), b.x, b.width), clip(Math.max(x0, x1), b.x, b.width)];
    const [t, u] = [clip(Math.min(y0, y1), b.y, b.height), clip(Math.max(y0, y1), b.y, b.height)];
    return r - l >= 1 && u - t >= 1 ? [l, t, r - l, u - t] : null;
  }
  dragCrop(phase, x, y) {
    if (!this.frame) return;
    if (phase === 'down') this.cropFrom = [x, y];
    const c = this.clipCrop(...this.cropFrom, x, y);
    this.pane.cropDraft = phase !== 'up' && c ? { x: c[0], y: c[1], width: c[2], height: c[3] } : null;
    if (phase === 'up') {
      if (c) { this.setCrop(c); this.how.crops = false; }
      this.showState();
    }
    this.pane.draw();
  }
  cropFromSides() {
    const b = frameBox(this.frame);
    const v = Object.fromEntries(Object.entries(this.sides).map(([s, i]) => [s, Math.max(0, Number(i.value) || 0)]));
    if (!v.left && !v.top && !v.right && !v.bottom) return this.setCrop(null);
    const c = this.clipCrop(b.x + v.left, b.y + v.top, b.x + b.width - v.right, b.y + b.height - v.bottom);
    if (c && b.width - v.left - v.right >= 1 && b.height - v.top - v.bottom >= 1) return this.setCrop(c);
    tell('The crop line must leave 1 mm of the frame.');
    return this.showState();
  }

  toGrain() {
    if (this.frame) this.pane.grain(frameBox(this.frame));
  }
  closer() {
    if (!this.frame) return;
    if (this.pane.closeness() === 0) this.pane.show(frameBox(this.frame));
    else this.toGrain();
  }
  stepBack() {
    if (this.loupe.on) return this.loupe.set(false);
    if (this.how.draws || this.how.erases || this.how.crops) {
      Object.assign(this.how, { draws: false, erases: false, crops: false });
      return this.showState();
    }
    if (this.frame && this.pane.closeness(frameBox(this.frame)) === 2) return this.pane.show(frameBox(this.frame));
    return this.pane.showAll();
  }
  beside() {
    const f = this.frame ? encodeURIComponent(this.frame.frame) : '';
    const next = this.frame && (neighbour(this.roll.frames, this.frame, 'right') || neighbour(this.roll.frames, this.frame, 'left'));
    location.hash = `#/beside/${this.address}/${f}/${this.address}/${next ? encodeURIComponent(next.frame) : f}`;
  }

  act(action) {
    if (this.trim.act(action) !== false) return undefined;
    if (this.loupe.on && ['left', 'right', 'up', 'down'].includes(action)) return this.loupe.step(action);
    switch (action) {
      case 'loupe': return this.loupe.key();
      case 'trim': return this.trim.toggle();
      case 'left': case 'right': case 'up': case 'down': return this.choose(neighbour(this.roll.frames, this.frame, action), true);
      case 'select': case 'alt': case 'kill': return this.judge(action);
      case 'clear': return this.judge(null);
      case 'note': this.note.focus(); return undefined;
      case 'crop': return this.frame && this.setMode('crops');
      case 'draw': return this.setMode('draws');
      case 'erase': return this.setMode('erases');
      case 'bare': this.pane.bare = !this.pane.bare; tell(this.pane.bare ? 'The marks are lifted off' : 'The marks lie on the sheet'); return this.pane.draw();
      case 'red': case 'yellow': case 'white': case 'blue': return this.take(action);
      case 'undo': return this.undo();
      case 'redo': return this.redo();
      case 'nearer': return this.pane.zoom(1.6);
      case 'farther': return this.pane.zoom(1 / 1.6);
      case 'closer': return this.closer();
      case 'back': return this.stepBack();
      case 'beside': return this.beside();
      default: return false;
    }
  }

  keysChanged() {
    for (const [b, action] of [[this.drawButton, 'draw'], [this.eraseButton, 'erase'], [this.undoButton, 'undo'], [this.redoButton, 'redo'], [this.cropButton, 'crop'], [this.loupeButton, 'loupe'], [this.trim.button, 'trim']])
      b.title = `Key: ${nameOf(keyOf(action))}`;
    for (const b of this.verdicts.children) b.title = `Key: ${nameOf(keyOf(b.dataset.verdict === 'none' ? 'clear' : b.dataset.verdict))}`;
  }

  /// What others marked meanwhile.
  async refresh() {
    if (this.pane.live || outbox.waiting.length || document.activeElement === this.note) return;
    let fresh;
    try { fresh = await askRoll(this.address); } catch { return; }
    if (this.pane.closed || this.pane.live || outbox.waiting.length || this.asking) return;
    for (const f of this.roll.frames) {
      const g = fresh.frames.find((o) => o.frame === f.frame);
      if (g) [f.verdict, f.note, f.crop] = [g.verdict, g.note, g.crop];
    }
    const mine = new Map(this.roll.ink.map((s) => [s.id, s]));
    this.roll.ink.splice(0, Infinity, ...fresh.ink.map((s) => mine.get(s.id) || s));
    if (fresh.image !== this.roll.image && !this.trim.making) {
      await this.pane.lay(fresh.image).catch((e) => tell(e.message));
      this.trim.changed();
    }
    this.showState();
  }

  /// The sheet was made anew: it lies under the light once this is done.
  async laid() {
    const fresh = await askRoll(this.address);
    if (!this.pane.closed && fresh.image !== this.roll.image) await this.pane.lay(fresh.image).catch((e) => tell(e.message));
  }
}
