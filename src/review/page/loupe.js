// A reading loupe: a round glass on the sheet that shows the full level's own pixels, however far off the sheet is looked at.
import { frameBox } from './pane.js';
import { tell } from './parts.js';

const rim = 15;      // of brass, screen pixels
const most = 96;     // tiles kept
const held = 350;    // ms: a key that is down for longer is let go to lift the loupe off

export class Loupe {
  /// `view`: {light, pane, frame, how, trim}.
  constructor(view) {
    this.view = view;
    this.tiles = new Map();
    this.on = false;
    this.glass = document.createElement('canvas');
    this.glass.className = 'loupe';
    this.glass.hidden = true;
    this.glass.setAttribute('aria-hidden', 'true');
    view.light.append(this.glass);
    const { element } = view.pane;
    element.addEventListener('pointermove', (e) => this.pointer(e), { capture: true, passive: true });
    element.addEventListener('pointerdown', (e) => this.down(e), { capture: true, passive: true });
    for (const name of ['pointerup', 'pointercancel']) element.addEventListener(name, () => this.up(), { capture: true, passive: true });
    this.keyUp = () => {
      const long = this.pressed && performance.now() - this.pressed > held;
      this.pressed = 0;
      if (long) this.set(false);
    };
    addEventListener('keyup', this.keyUp);
    addEventListener('blur', this.keyUp);
    view.pane.after = () => this.draw();
  }

  close() {
    this.closed = true;
    removeEventListener('keyup', this.keyUp);
    removeEventListener('blur', this.keyUp);
  }

  /// The key: pressed shortly it lays the loupe down or lifts it off, held it lies as long as it is held.
  key() {
    if (this.pressed) return;
    if (this.on) { this.set(false); this.pressed = 0; return; }
    this.pressed = performance.now();
    this.set(true);
  }

  set(on) {
    if (on === this.on) return;
    this.on = on;
    this.view.loupeButton?.setAttribute('aria-pressed', String(on));
    if (on) {
      this.at = this.last ? this.view.pane.mm(...this.last) : null;
      this.follows = Boolean(this.last);
      if (!this.at) {
        const b = this.view.frame && frameBox(this.view.frame);
        const r = this.view.light.getBoundingClientRect();
        this.at = b ? [b.x + b.width / 2, b.y + b.height / 2] : this.view.pane.mm(r.left + r.width / 2, r.top + r.height / 2);
      }
      tell('The loupe lies on the sheet; the pointer or arrows move it');
    }
    this.draw();
  }

  pointer(e) {
    if (e.pointerType === 'touch') return;  // a finger moves the sheet under the glass
    this.last = [e.clientX, e.clientY];
    this.follows = true;
    if (this.on) { this.at = this.view.pane.mm(...this.last); this.draw(); }
  }

  /// What one marks with is never covered.
  down(e) {
    const { draws, erases, crops } = this.view.how;
    if (e.pointerType !== 'pen' && !draws && !erases && !crops) return;
    this.lifted = true;
    this.draw();
  }

  up() {
    if (!this.lifted) return;
    this.lifted = false;
    this.draw();
  }

  /// By an arrow: a third of the glass.
  step(direction) {
    const [dx, dy] = { left: [-1, 0], right: [1, 0], up: [0, -1], down: [0, 1] }[direction];
    const by = this.size() / this.scale() / this.view.pane.sheet.pixels_per_mm / 3;
    const { sheet } = this.view.pane;
    const clip = (v, from, pixels) => Math.min(from + pixels / sheet.pixels_per_mm, Math.max(from, v));
    this.at = [clip(this.at[0] + dx * by, sheet.origin[0], sheet.width), clip(this.at[1] + dy * by, sheet.origin[1], sheet.height)];
    this.follows = false;
    this.last = null;
    const v = this.view.pane.viewer.viewport;
    const p = this.view.pane.pixels(...this.at);
    const seen = v.viewportToImageRectangle(v.getBounds(false));
    if (p.x < seen.x || p.y < seen.y || p.x > seen.x + seen.width || p.y > seen.y + seen.height) v.panTo(v.imageToViewportCoordinates(p));
    this.draw();
  }

  /// Device pixels across the glass.
  size() {
    const { clientWidth, clientHeight } = this.view.light;
    return Math.round(Math.min(340, clientWidth * 0.6, clientHeight * 0.6) * (devicePixelRatio || 1));
  }

  /// Device pixels for one of the sheet: a whole number, 1 at least, and nearer than the sheet lies.
  scale() {
    const v = this.view.pane.viewer.viewport;
    const lies = v.viewportToImageZoom(v.getZoom(true)) * (devicePixelRatio || 1);
    return lies <= 0.5 ? 1 : Math.ceil(2 * lies);
  }

  tile(address) {
    let t = this.tiles.get(address);
    if (t) {
      this.tiles.delete(address);
    } else {
      const image = new Image();
      t = { image, ready: false };
      image.onload = () => { t.ready = true; this.draw(); };
      image.onerror = () => this.tiles.delete(address);
      image.src = address;
    }
    this.tiles.set(address, t);  // the last used last
    if (this.tiles.size > most) this.tiles.delete(this.tiles.keys().next().value);
    return t.ready ? t.image : null;
  }

  draw() {
    if (this.asked || this.closed) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      if (!this.closed) this.drawNow();
    });
  }

  drawNow() {
    const { pane, light, trim } = this.view;
    const lies = this.on && !this.lifted && pane.viewer.isOpen();
    this.glass.hidden = !lies;
    light.classList.toggle('has-loupe', Boolean(lies));
    if (!lies) { delete this.glass.dataset.shows; return; }
    if (this.follows && this.last) this.at = pane.mm(...this.last);
    const ratio = devicePixelRatio || 1;
    const size = this.size();
    const edge = Math.round(rim * ratio);
    const whole = size + 2 * edge;
    if (this.glass.width !== whole) {
      this.glass.width = this.glass.height = whole;
      this.glass.style.width = this.glass.style.height = `${whole / ratio}px`;
    }
    const on = pane.viewer.viewport.imageToViewerElementCoordinates(pane.pixels(...this.at));
    this.glass.style.transform = `translate(${Math.round(on.x * ratio - whole / 2) / ratio}px, ${Math.round(on.y * ratio - whole / 2) / ratio}px)`;
    const c = this.glass.getContext('2d');
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, whole, whole);
    c.save();
    c.beginPath();
    c.arc(whole / 2, whole / 2, size / 2, 0, 2 * Math.PI);
    c.clip();
    c.fillStyle = '#0e0b0a';
    c.fillRect(0, 0, whole, whole);
    const s = this.scale();
    const { sheet } = pane;
    const at = pane.pixels(...this.at);
    const x0 = Math.round(at.x - whole / 2 / s);
    const y0 = Math.round(at.y - whole / 2 / s);
    // What the sheet shows there meanwhile, until its own pixels have come.
    const under = pane.viewer.drawer.canvas;
    const v = pane.viewer.viewport;
    const far = v.viewportToImageZoom(v.getZoom(true)) * ratio / s;
    c.drawImage(under, on.x * ratio - whole / 2 * far, on.y * ratio - whole / 2 * far, whole * far, whole * far, 0, 0, whole, whole);
    c.imageSmoothingEnabled = false;
    let all = true;
    const side = pane.tileSide();
    const piece = (address, x, y, w, h) => {
      const image = this.tile(address);
      if (image) c.drawImage(image, (x - x0) * s, (y - y0) * s, w * s, h * s);
      else all = false;
    };
    for (let y = Math.max(0, Math.floor(y0 / side) * side); y < Math.min(sheet.height, y0 + whole / s); y += side) {
      for (let x = Math.max(0, Math.floor(x0 / side) * side); x < Math.min(sheet.width, x0 + whole / s); x += side) {
        const w = Math.min(side, sheet.width - x);
        const h = Math.min(side, sheet.height - y);
        piece(`${pane.roll.image}/${x},${y},${w},${h}/${w},${h}/0/default.jpg`, x, y, w, h);
        const tried = trim?.tile(x, y, w, h);
        if (tried) piece(tried.address, tried.x, tried.y, tried.w, tried.h);
      }
    }
    const k = sheet.pixels_per_mm * s;
    c.setTransform(k, 0, 0, k, (-sheet.origin[0] * sheet.pixels_per_mm - x0) * s, (-sheet.origin[1] * sheet.pixels_per_mm - y0) * s);
    pane.marks(c, ratio / k);
    c.restore();
    this.brass(c, whole, size, edge, ratio);
    this.glass.dataset.shows = [x0, y0, s, edge, all ? 'sharp' : 'coming'].join(' ');  // for whoever looks from outside
  }

  brass(c, whole, size, edge, ratio) {
    const m = whole / 2;
    const ring = (r, width, colour) => {
      c.beginPath();
      c.arc(m, m, r, 0, 2 * Math.PI);
      c.lineWidth = width;
      c.strokeStyle = colour;
      c.stroke();
    };
    const metal = c.createLinearGradient(whole * 0.15, whole * 0.1, whole * 0.85, whole * 0.9);
    for (const [t, colour] of [[0, '#f3dfa4'], [0.28, '#b98d3e'], [0.5, '#8a6426'], [0.72, '#c79c4c'], [1, '#6d4d1b']]) metal.addColorStop(t, colour);
    ring(size / 2 + edge / 2 - ratio, edge - 3 * ratio, metal);
    ring(size / 2 + edge - 2 * ratio, ratio, '#4a3312');
    ring(size / 2 + ratio, 1.5 * ratio, '#3a2a12');
    ring(size / 2 + edge * 0.42, ratio, '#f6e6b566');
    const shade = c.createRadialGradient(m, m, size / 2 - 16 * ratio, m, m, size / 2);
    shade.addColorStop(0, '#0000');
    shade.addColorStop(1, '#0007');
    c.beginPath();
    c.arc(m, m, size / 2, 0, 2 * Math.PI);
    c.fillStyle = shade;
    c.fill();
  }
}
