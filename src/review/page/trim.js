// Trim: what is asked for on the positive, tried on the frame in view, then given to the whole sheet or kept for the stock.
import { ask, change } from './api.js';
import { frameBox } from './pane.js';
import { button, make, tell } from './parts.js';

const kinds = {  // what a value below 0 and one above it does
  warmth: ['Warmth', 'colder', 'warmer'],
  tint: ['Tint', 'greener', 'pinker'],
  brightness: ['Brightness', 'darker', 'lighter'],
  contrast: ['Contrast', 'softer', 'harder'],
};
const names = Object.keys(kinds);
const keys = { colder: ['warmth', -1], warmer: ['warmth', 1], greener: ['tint', -1], pinker: ['tint', 1], darker: ['brightness', -1], lighter: ['brightness', 1], softer: ['contrast', -1], harder: ['contrast', 1] };
const tried = new Map();  // by roll, so that it is there again after a look elsewhere
const same = (a, b) => names.every((n) => a[n] === b[n]);
const clip = (v) => Math.min(100, Math.max(-100, Math.round(Number(v) || 0)));
const told = (t) => names.filter((n) => t[n]).map((n) => `${kinds[n][0].toLowerCase()} ${t[n]}`).join(', ') || 'none';

export class Trim {
  /// `view`: {address, roll, pane, frame, light, deed(act), laid()}.
  constructor(view) {
    this.view = view;
    this.base = `/api/rolls/${view.address}/trim`;
    this.section = make('section', { class: 'trim', id: 'trim', 'aria-label': 'Trim', hidden: true });
    this.button = button('Trim', () => this.toggle(), { id: 'trim-open', 'aria-expanded': 'false', 'aria-controls': 'trim', hidden: true });
    this.asking = this.load().catch((e) => tell(e.message));
  }

  get on() { return !this.section.hidden; }
  /// Whether another trim is tried than the sheet has.
  get differs() { return Boolean(this.values && !same(this.values, this.state.made)); }

  async load() {
    this.state = await ask(this.base);
    if (this.closed || !this.state.may) return;
    this.button.hidden = false;
    if (this.state.possible) this.values = { ...(tried.get(this.view.address) || this.state.made) };
    this.write();
    this.attach();
    if (this.state.making?.state === 'running') this.watch();
  }

  attach() {
    if (this.attached || !this.view.pane) return;
    this.attached = true;
    const { pane } = this.view;
    pane.beneath = (c) => this.draw(c);
    pane.viewer.addHandler('animation-finish', () => this.look());
    pane.viewer.addHandler('resize', () => this.look());
  }

  close() {
    this.closed = true;
    clearTimeout(this.rests);
    this.shown?.bitmap.close();
    this.shown = null;
  }

  toggle() {
    if (!this.state?.may) return;
    this.section.hidden = this.on;
    this.button.setAttribute('aria-expanded', String(this.on));
    if (this.on) {
      this.section.scrollIntoView({ block: 'nearest' });
      (this.section.querySelector('input[type=range]') || this.button).focus({ preventScroll: true });
    } else if (this.section.contains(document.activeElement) || document.activeElement === document.body) {
      this.view.pane.viewer.canvas.focus();
    }
    this.look();
  }

  /// Keys, while the section is open.
  act(action) {
    if (!keys[action] || !this.on || !this.state?.possible) return false;
    const [name, by] = keys[action];
    if (!this.shows(name)) return false;
    this.commit({ ...this.values, [name]: clip(this.values[name] + 2 * by) });
    return undefined;
  }

  shows(name) { return this.state.colour || (name !== 'warmth' && name !== 'tint'); }

  write() {
    const s = this.state;
    this.inputs = {};
    if (!s.possible) {
      this.section.replaceChildren(make('h2', { text: 'Trim' }), make('p', { text: s.say }));
      return;
    }
    const rows = names.filter((n) => this.shows(n)).map((name) => {
      const [title, below, above] = kinds[name];
      const slide = make('input', { type: 'range', min: -100, max: 100, step: 1, 'aria-label': title, data: { trim: name } });
      const number = make('input', { type: 'number', min: -100, max: 100, step: 1, inputmode: 'numeric', 'aria-label': `${title}, as a number` });
      slide.oninput = () => this.set({ ...this.values, [name]: clip(slide.value) });
      slide.onchange = () => this.commit({ ...this.values, [name]: clip(slide.value) });
      number.onchange = () => this.commit({ ...this.values, [name]: clip(number.value) });
      slide.onkeydown = (e) => { if (e.key === 'Escape') { e.preventDefault(); e.stopPropagation(); this.view.pane.viewer.canvas.focus(); } };
      this.inputs[name] = [slide, number];
      return make('div', { class: 'trim-row' }, make('span', { class: 'title', text: title, 'aria-hidden': 'true' }), number,
        make('div', { class: 'way' }, make('span', { text: below }), slide, make('span', { text: above })));
    });
    this.asMade = button('As the sheet is', () => this.commit({ ...s.made }));
    this.zero = button('Zero', () => this.commit(Object.fromEntries(names.map((n) => [n, 0]))));
    this.without = button('Look without', () => { this.bare = !this.bare; this.without.setAttribute('aria-pressed', String(this.bare)); this.redraw(); }, { 'aria-pressed': 'false' });
    this.makeSheet = button('Make the whole sheet so', () => this.remake(), { class: 'chief' });
    this.keepStock = button(`Keep it for ${s.stock.name}`, () => this.keep());
    this.word = make('p', { role: 'status', class: 'about' });
    this.gauge = make('progress', { max: 1, value: 0, 'aria-label': 'The sheet is being made anew', hidden: true });
    this.stockWord = make('p', { class: 'about' });
    const parts = [
      make('h2', { text: 'Trim' }),
      s.colour ? null : make('p', { class: 'about', text: 'Black and white has no colour to trim.' }), ...rows,
      make('div', { class: 'row' }, this.asMade, this.zero, this.without),
      make('div', { class: 'row' }, this.makeSheet),
      make('p', { class: 'about', text: `Kept for this roll in ${s.roll_file}; frames at full take it, too. Marks stay.` }),
      this.gauge, this.word,
      make('div', { class: 'row' }, this.keepStock), this.stockWord];
    this.section.replaceChildren(...parts.filter(Boolean));
    this.show();
  }

  show() {
    const s = this.state;
    if (!s?.possible) return;
    for (const [name, [slide, number]] of Object.entries(this.inputs)) {
      const v = this.values[name];
      slide.value = String(v);
      if (document.activeElement !== number || Number(number.value) !== v) number.value = String(v);
      slide.setAttribute('aria-valuetext', v ? `${Math.abs(v)} ${kinds[name][v < 0 ? 1 : 2]}` : 'none');
    }
    const running = this.making;
    this.asMade.disabled = !this.differs;
    this.zero.disabled = names.every((n) => this.values[n] === 0);
    this.without.disabled = !this.differs;
    this.makeSheet.disabled = running || !this.differs;
    this.gauge.hidden = !running;
    const ofStock = same(this.values, s.stock.trim);
    this.keepStock.disabled = ofStock || !s.stock.writes;
    this.stockWord.textContent = s.stock.say || (ofStock ? `It is what stock ${s.stock.name} has.`
      : `Writes ${s.stock.writes}${s.stock.copies ? ', a copy of the profile that came with the program,' : ''} with this trim; later rolls of the stock begin with it.`);
    if (!running && !this.word.textContent) this.word.textContent = s.of === 'roll' ? `The sheet has a trim of its own: ${told(s.made)}.` : '';
  }

  /// Tries a trim; commit() can be undone.
  set(values) {
    this.before ||= this.values;
    this.values = values;
    tried.set(this.view.address, values);
    this.moved = performance.now();
    this.show();
    this.look();
  }
  commit(values) {
    const before = this.before || this.values;
    this.before = null;
    if (same(before, values)) { this.set(values); this.before = null; return; }
    const go = (v) => { this.set(v); this.before = null; };
    this.view.deed({ do: () => go(values), undo: () => go(before) });
  }

  /// What of the frame is in view, in pixels of the sheet, and how large it is shown.
  part() {
    const { pane, frame } = this.view;
    if (!frame || !pane?.viewer.isOpen()) return null;
    const { sheet } = pane;
    const b = frameBox(frame);
    const k = sheet.pixels_per_mm;
    const v = pane.viewer.viewport;
    const r = v.viewportToImageRectangle(v.getBounds(false));
    const zoom = v.viewportToImageZoom(v.getZoom(false)) * (devicePixelRatio || 1);
    const [aside, above] = [r.width / 4, r.height / 4];  // so that a small move finds it there
    const x0 = Math.floor(Math.max(0, (b.x - sheet.origin[0]) * k, r.x - aside));
    const y0 = Math.floor(Math.max(0, (b.y - sheet.origin[1]) * k, r.y - above));
    const x1 = Math.ceil(Math.min(sheet.width, (b.x + b.width - sheet.origin[0]) * k, r.x + r.width + aside));
    const y1 = Math.ceil(Math.min(sheet.height, (b.y + b.height - sheet.origin[1]) * k, r.y + r.height + above));
    if (x1 - x0 < 1 || y1 - y0 < 1) return null;
    const [w, h] = [x1 - x0, y1 - y0];
    const most = Math.min(1, zoom, 4096 / w, 4096 / h, Math.sqrt(6e6 / (w * h))) * (this.hurries() ? 0.5 : 1);
    return { x: x0, y: y0, w, h, width: Math.max(1, Math.floor(w * most)), height: Math.max(1, Math.floor(h * most)) };
  }

  /// A large screen, or a machine that has much to do: coarser while a slider moves, in full when it rests.
  hurries() { return this.took > 90 && performance.now() - this.moved < 200; }

  address(p) {
    return `${this.base}/look/${p.x},${p.y},${p.w},${p.h}/${p.width},${p.height}/${names.map((n) => this.values[n]).join(',')}.jpg`;
  }

  /// Asks for the frame as it looks now: one at a time, the last one wins.
  async look() {
    if (!this.on || !this.state?.possible || this.closed) return;
    const p = this.part();
    if (!p) return;
    const address = this.address(p);
    if (this.busy) { this.again = true; return; }
    if (this.shown?.address === address) { this.redraw(); return; }
    this.busy = true;
    const { frame } = this.view;
    const values = { ...this.values };
    const { moved } = this;
    const began = performance.now();
    const coarse = this.hurries();
    try {
      const reply = await fetch(address);
      if (!reply.ok) throw new Error((await reply.json().catch(() => ({}))).say || `the station answered ${reply.status}`);
      const bitmap = await createImageBitmap(await reply.blob());
      if (this.closed) { bitmap.close(); return; }
      this.shown?.bitmap.close();
      this.shown = { ...p, address, frame, values, bitmap, moved, coarse };
      if (!coarse) this.took = performance.now() - began;
      clearTimeout(this.rests);
      if (coarse) this.rests = setTimeout(() => this.look(), 220);
      this.redraw();
    } catch (e) {
      if (!this.closed) tell(`The trim cannot be shown: ${e.message}`);
      this.again = false;
    } finally {
      this.busy = false;
    }
    if (this.again) { this.again = false; this.look(); }
  }

  redraw() { this.view.pane.draw(); this.view.loupe?.draw(); }

  /// Under the marks, in sleeve millimetres.
  draw(c) {
    const s = this.shown;
    const { light } = this.view;
    if (!s || !this.differs || this.bare || !this.on || s.frame !== this.view.frame) { delete light.dataset.trimmed; return; }
    const { sheet } = this.view.pane;
    const k = sheet.pixels_per_mm;
    c.imageSmoothingQuality = s.width < s.w ? 'high' : 'low';  // as the viewer enlarges
    c.drawImage(s.bitmap, s.x / k + sheet.origin[0], s.y / k + sheet.origin[1], s.w / k, s.h / k);
    s.seen ??= Math.round(performance.now() - s.moved);
    light.dataset.trimmed = `${names.map((n) => s.values[n]).join(',')} ${s.seen} ${s.coarse ? 'coarse' : 'full'}`;  // for whoever looks from outside
  }

  /// Where a tile of the full level shows the frame that is tried: that part and its address, or null.
  tile(x, y, w, h) {
    if (!this.on || !this.differs || this.bare || !this.view.frame) return null;
    const { sheet } = this.view.pane;
    const b = frameBox(this.view.frame);
    const k = sheet.pixels_per_mm;
    const x0 = Math.max(x, Math.floor((b.x - sheet.origin[0]) * k));
    const y0 = Math.max(y, Math.floor((b.y - sheet.origin[1]) * k));
    const x1 = Math.min(x + w, Math.ceil((b.x + b.width - sheet.origin[0]) * k));
    const y1 = Math.min(y + h, Math.ceil((b.y + b.height - sheet.origin[1]) * k));
    if (x1 <= x0 || y1 <= y0) return null;
    const p = { x: x0, y: y0, w: x1 - x0, h: y1 - y0, width: x1 - x0, height: y1 - y0 };
    return { ...p, address: this.address(p) };
  }

  async remake() {
    this.making = true;
    this.show();
    this.word.textContent = 'The sheet is being made anew; the one before stays until it is whole.';
    try {
      await change('PUT', this.base, { trim: this.values });
    } catch (e) {
      this.making = false;
      this.word.textContent = `Not made: ${e.message}`;
      this.show();
      return;
    }
    await this.watch();
  }

  async watch() {
    this.making = true;
    this.show();
    for (;;) {
      await new Promise((done) => { setTimeout(done, 300); });
      if (this.closed) return;
      let now;
      try { now = await ask(this.base); } catch { continue; }
      const m = now.making;
      if (m?.state === 'running') {
        this.gauge.value = m.share;
        this.word.textContent = 'The sheet is being made anew; the one before stays until it is whole.';
        continue;
      }
      this.making = false;
      this.gauge.value = 0;
      if (m?.state === 'failed') {
        this.word.textContent = `The sheet is as it was: ${m.say}`;
      } else {
        await this.view.laid();  // the new sheet lies under the light
        if (this.closed) return;
        Object.assign(this.state, now);
        this.word.textContent = `The sheet is made anew, trim: ${told(now.made)}.${m?.say ? ` ${m.say}` : ''}`;
      }
      this.show();
      this.redraw();
      return;
    }
  }

  /// Another made the sheet anew.
  async changed() {
    if (this.making || !this.state?.possible) return;
    const before = this.state.made;
    try { Object.assign(this.state, await ask(this.base)); } catch { return; }
    if (!this.state.possible) { this.write(); return; }
    if (same(this.values, before)) this.values = { ...this.state.made };
    this.show();
    this.redraw();
  }

  async keep() {
    this.keepStock.disabled = true;
    try {
      const kept = await change('PUT', `${this.base}/stock`, { trim: this.values });
      Object.assign(this.state, await ask(this.base));
      tell(`Kept in ${kept.file}; later rolls of ${this.state.stock.name} begin with it.`);
    } catch (e) {
      tell(`Not kept for the stock: ${e.message}`);
    }
    this.show();
  }
}

export const trimActions = Object.keys(keys);
