// Two frames side by side, of one roll or of two.
import { ask, outbox, roll as askRoll } from './api.js';
import { Pane, frameBox, neighbour, viewerThere } from './pane.js';
import { frameOptions, make, tell } from './parts.js';

export async function openBeside(main, [leftRoll, leftFrame, rightRoll, rightFrame]) {
  const shelf = await ask('/api/shelf');
  await viewerThere;
  const view = new BesideView(main, shelf.rolls);
  await Promise.all([view.lay(0, leftRoll, leftFrame), view.lay(1, rightRoll, rightFrame)]);
  view.activate(0);
  return view;
}

class BesideView {
  constructor(main, rolls) {
    document.title = 'Side by side';
    this.together = make('input', { type: 'checkbox', checked: true });
    const bar = make('div', { class: 'bar' }, make('h1', { text: 'Side by side' }), make('label', { class: 'switch' }, this.together, ' They move together'));
    this.sides = [0, 1].map((n) => {
      const name = n ? 'Right' : 'Left';
      const side = { n };
      side.rolls = make('select', { 'aria-label': `${name}: roll`, onchange: () => this.lay(n, side.rolls.value, '') });
      side.rolls.append(...rolls.map((r) => make('option', { value: r.address, text: r.roll })));
      side.pick = make('select', { 'aria-label': `${name}: frame`, onchange: () => { this.activate(n); this.choose(side, side.roll.frames.find((f) => f.frame === side.pick.value)); } });
      side.word = make('span', { role: 'status' });
      side.light = make('section', { class: 'light', 'aria-label': `${name} frame` });
      side.box = make('div', { class: 'side', onpointerdown: () => this.activate(n) }, make('div', { class: 'row' }, side.rolls, side.pick, side.word), side.light);
      side.box.addEventListener('focusin', () => this.activate(n));
      return side;
    });
    main.replaceChildren(bar, make('div', { class: 'pair' }, ...this.sides.map((s) => s.box)));
  }

  close() { this.closed = true; for (const s of this.sides) s.pane?.close(); }

  async lay(n, address, frameName) {
    const side = this.sides[n];
    let roll;
    try { roll = await askRoll(address); } catch (e) { return tell(e.message); }
    if (this.closed) return undefined;
    side.pane?.close();
    side.light.replaceChildren();
    side.address = address;
    side.rolls.value = address;
    side.roll = roll;
    side.pane = new Pane(side.light, roll);
    side.frame = null;
    const frame = roll.frames.find((f) => f.frame === frameName) || roll.frames[0];
    await side.pane.opened.catch((e) => tell(e.message));
    if (this.closed) return undefined;
    this.choose(side, frame);
    const follow = () => this.follow(side);
    side.pane.viewer.addHandler('zoom', follow);
    side.pane.viewer.addHandler('pan', follow);
    return undefined;
  }

  /// The other side shows the same part of its frame, as large.
  follow(side) {
    const other = this.sides[1 - side.n];
    if (!this.together.checked || this.moving || this.active !== side || !side.frame || !other.frame || !other.pane?.viewer.isOpen()) return;
    this.moving = true;
    const [a, b] = [frameBox(side.frame), frameBox(other.frame)];
    const v = side.pane.viewer.viewport;
    const w = other.pane.viewer.viewport;
    const p = v.viewportToImageCoordinates(v.getCenter(false));
    const [s, o] = [side.roll.sheet, other.roll.sheet];
    const x = (p.x / s.pixels_per_mm + s.origin[0] - a.x) / a.width;
    const y = (p.y / s.pixels_per_mm + s.origin[1] - a.y) / a.height;
    w.panTo(w.imageToViewportCoordinates(other.pane.pixels(b.x + x * b.width, b.y + y * b.height)));
    const k = v.viewportToImageZoom(v.getZoom(false)) * s.pixels_per_mm * a.width / b.width;  // screen a mm
    w.zoomTo(w.imageToViewportZoom(k / o.pixels_per_mm));
    this.moving = false;
  }

  activate(n) {
    this.active = this.sides[n];
    for (const s of this.sides) s.box.classList.toggle('active', s === this.active);
  }

  choose(side, frame) {
    if (!frame) return;
    side.frame = frame;
    frameOptions(side.pick, side.roll.frames, frame);
    side.word.textContent = frame.verdict || '';
    side.pane.current = frame;
    const active = this.active;
    this.active = null;  // the other side stays where it is
    side.pane.show(frameBox(frame), 0.03);
    this.active = active;
    side.pane.draw();
    const [l, r] = this.sides;
    if (l.frame && r.frame)
      history.replaceState(null, '', `#/beside/${l.address}/${encodeURIComponent(l.frame.frame)}/${r.address}/${encodeURIComponent(r.frame.frame)}`);
  }

  judge(word) {
    const side = this.active;
    if (!side?.frame) return;
    for (const s of this.sides) {
      const f = s.address === side.address ? s.roll.frames.find((o) => o.frame === side.frame.frame) : null;
      if (f) f.verdict = word;
      if (s.frame) { frameOptions(s.pick, s.roll.frames, s.frame); s.word.textContent = s.frame.verdict || ''; }
      s.pane.draw();
    }
    outbox.put('PUT', `/api/rolls/${side.address}/frames/${encodeURIComponent(side.frame.frame)}/verdict`, { verdict: word });
    tell(`Frame ${side.frame.frame}: ${word || 'no verdict'}`);
  }

  act(action) {
    const side = this.active;
    if (!side?.frame) return false;
    switch (action) {
      case 'left': case 'right': case 'up': case 'down': return this.choose(side, neighbour(side.roll.frames, side.frame, action));
      case 'select': case 'alt': case 'kill': return this.judge(action);
      case 'clear': return this.judge(null);
      case 'nearer': return side.pane.zoom(1.6);
      case 'farther': return side.pane.zoom(1 / 1.6);
      case 'closer': return side.pane.grain(frameBox(side.frame));
      case 'back':
        if (side.pane.closeness(frameBox(side.frame)) === 2) return side.pane.show(frameBox(side.frame), 0.03);
        location.hash = `#/roll/${side.address}/${encodeURIComponent(side.frame.frame)}`;
        return undefined;
      case 'bare': for (const s of this.sides) { s.pane.bare = !s.pane.bare; s.pane.draw(); } return undefined;
      case 'beside': return this.activate(1 - side.n);
      default: return false;
    }
  }
}
