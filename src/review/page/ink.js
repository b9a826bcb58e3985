// Grease pencil: strokes from pen, and from mouse or finger where that was asked for.
import { getStroke } from './perfect-freehand.js';

const grain = 20;  // the outline is reckoned in twentieths of a millimetre
const most = 2500;  // samples of one stroke; it goes on as the next one

/// The outline of a stroke: points in mm, and the path to fill.
export function outlineOf(stroke) {
  const points = [];
  for (let i = 0; i < stroke.samples.length; i += 4) points.push([stroke.samples[i] * grain, stroke.samples[i + 1] * grain, stroke.samples[i + 2]]);
  let outline = getStroke(points, { size: stroke.width * grain, thinning: 0.65, smoothing: 0.5, streamline: 0.25, simulatePressure: false, last: true })
    .map(([x, y]) => [x / grain, y / grain]);
  outline = outline.filter((p) => Number.isFinite(p[0]) && Number.isFinite(p[1]));
  if (outline.length < 3) {  // a dot
    const [x, y] = stroke.samples;
    const r = stroke.width / 2;
    outline = Array.from({ length: 12 }, (_, i) => [x + r * Math.cos(i * Math.PI / 6), y + r * Math.sin(i * Math.PI / 6)]);
  }
  const path = new Path2D();
  const middle = (a, b) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  path.moveTo(...middle(outline[0], outline[1]));
  for (let i = 1; i <= outline.length; ++i) {
    const a = outline[i % outline.length];
    path.quadraticCurveTo(...a, ...middle(a, outline[(i + 1) % outline.length]));
  }
  path.closePath();
  return { outline, path };
}

/// How near a stroke passes to a point, in mm.
export function distance(stroke, x, y) {
  let least = Infinity;
  const s = stroke.samples;
  for (let i = 0; i < s.length; i += 4) {
    const j = i + 4 < s.length ? i + 4 : i;
    const [ax, ay, bx, by] = [s[i], s[i + 1], s[j], s[j + 1]];
    const l = (bx - ax) ** 2 + (by - ay) ** 2;
    const t = l ? Math.max(0, Math.min(1, ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / l)) : 0;
    least = Math.min(least, Math.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay)));
  }
  return least;
}

const round = (v) => Math.round(v * 1000) / 1000;

/// Takes the pointer events of a pane that are ink, before the viewer sees them.
/// `how`: {colour, width, draws, erases, crops}; `done(stroke)`, `erase(x, y, reach)`, `crop(phase, x, y)`.
export class Ink {
  constructor(pane, how, { done, erase, crop }) {
    Object.assign(this, { pane, how, done, erase, crop });
    this.pen = null;
    this.touches = new Map();
    this.lifted = -1e9;
    const on = (name, act) => pane.element.addEventListener(name, act, { capture: true, passive: false });
    on('pointerdown', (e) => this.down(e));
    on('pointermove', (e) => this.move(e));
    on('pointerup', (e) => this.up(e));
    on('pointercancel', (e) => this.up(e));
    on('touchmove', (e) => { if (this.pen !== null || this.how.draws) e.preventDefault(); });
  }

  isInk(e) {
    if (e.pointerType === 'pen') return true;
    if (this.how.crops || this.how.draws || this.how.erases) return e.pointerType === 'touch' || e.button === 0;
    return false;
  }

  stop(e) { e.stopPropagation(); e.preventDefault(); }

  down(e) {
    if (e.pointerType === 'touch') {
      if (this.pen !== null ? this.penType === 'pen' : e.timeStamp - this.lifted < 500) { this.ignored = (this.ignored || new Set()).add(e.pointerId); return this.stop(e); }
      this.touches.set(e.pointerId, [e.clientX, e.clientY]);
      if (this.touches.size === 2 && (this.how.draws || this.how.erases || this.how.crops)) {  // two fingers move the sheet
        this.pen = null;
        this.pane.live = null;
        this.pane.cropDraft = null;
        this.pane.draw();
        return this.stop(e);
      }
    }
    if (!this.isInk(e)) return undefined;
    this.stop(e);
    if (this.pen !== null || this.touches.size > 1) return undefined;
    document.activeElement?.blur?.();
    this.pen = e.pointerId;
    this.penType = e.pointerType;
    try { this.pane.element.setPointerCapture(e.pointerId); } catch { /* it is gone already */ }
    this.erasing = this.how.erases || (e.pointerType === 'pen' && (e.buttons & 32) !== 0);
    this.cropping = !this.erasing && this.how.crops;
    const [x, y] = this.pane.mm(e.clientX, e.clientY);
    if (this.cropping) return this.crop('down', x, y);
    if (this.erasing) return this.erase(x, y, 8 / this.pane.screenPerMm());
    this.began = e.timeStamp;
    this.pane.live = { colour: this.how.colour, width: this.how.width, samples: [] };
    return this.sample(e);
  }

  move(e) {
    if (this.ignored?.has(e.pointerId)) return this.stop(e);
    if (e.pointerType === 'touch' && this.touches.has(e.pointerId)) {
      const before = [...this.touches.values()];
      this.touches.set(e.pointerId, [e.clientX, e.clientY]);
      if (this.touches.size === 2 && (this.how.draws || this.how.erases || this.how.crops)) {
        this.stop(e);
        return this.twoFingers(before, [...this.touches.values()]);
      }
    }
    if (e.pointerId !== this.pen) return undefined;
    this.stop(e);
    const [x, y] = this.pane.mm(e.clientX, e.clientY);
    if (this.cropping) return this.crop('move', x, y);
    if (this.erasing) return this.erase(x, y, 8 / this.pane.screenPerMm());
    const finer = e.getCoalescedEvents ? e.getCoalescedEvents() : [];
    for (const one of finer.length ? finer : [e]) this.sample(one);
    if (this.pane.live.samples.length / 4 >= most) {
      const last = this.pane.live.samples.slice(-4);
      this.finish();
      this.began = e.timeStamp;
      last[3] = 0;
      this.pane.live = { colour: this.how.colour, width: this.how.width, samples: last };
    }
    return undefined;
  }

  up(e) {
    this.touches.delete(e.pointerId);
    if (this.ignored?.delete(e.pointerId)) return this.stop(e);
    if (e.pointerId !== this.pen) return undefined;
    this.stop(e);
    if (this.penType === 'pen') this.lifted = e.timeStamp;
    this.pen = null;
    if (this.cropping) {
      const [x, y] = this.pane.mm(e.clientX, e.clientY);
      return this.crop('up', x, y);
    }
    // A pen that the system took away keeps what it drew.
    if (this.pane.live) this.finish();
    return undefined;
  }

  sample(e) {
    const [x, y] = this.pane.mm(e.clientX, e.clientY);
    const s = this.pane.live.samples;
    const n = s.length;
    const t = Math.max(n ? s[n - 1] : 0, round(e.timeStamp - this.began));
    const pressure = e.pointerType === 'pen' ? Math.min(1, Math.max(0, e.pressure)) : 0.5;
    if (n && Math.hypot(x - s[n - 4], y - s[n - 3]) < 0.25 / this.pane.screenPerMm()) return;
    s.push(round(x), round(y), round(pressure), t);
    this.pane.draw();
  }

  finish() {
    const stroke = this.pane.live;
    this.pane.live = null;
    this.pane.draw();
    if (stroke.samples.length) this.done(stroke);
  }

  twoFingers(before, after) {
    const O = window.OpenSeadragon;
    const v = this.pane.viewer.viewport;
    const mid = (p) => new O.Point((p[0][0] + p[1][0]) / 2, (p[0][1] + p[1][1]) / 2);
    const gap = (p) => Math.hypot(p[0][0] - p[1][0], p[0][1] - p[1][1]) || 1;
    const r = this.pane.light.getBoundingClientRect();
    const here = mid(after);
    v.panBy(v.deltaPointsFromPixels(mid(before).minus(here)), true);
    v.zoomBy(gap(after) / gap(before), v.pointFromPixel(here.minus(new O.Point(r.left, r.top))), true);
    v.applyConstraints(true);
  }
}
