// One sheet under the light: the viewer, and on top of it what was marked, drawn in sleeve millimetres.
import { outlineOf } from './ink.js';

export const wax = { red: '#c93a2b', yellow: '#e8b923', white: '#f4efe4', blue: '#3f77b5' };
const still = matchMedia('(prefers-reduced-motion: reduce)').matches;

/// The viewer's own script comes after the page's, so that a sheet is asked for meanwhile.
export const viewerThere = window.OpenSeadragon ? Promise.resolve() : new Promise((there) => { addEventListener('DOMContentLoaded', there, { once: true }); });

/// The whole sheet as one picture, sharp on this light, until the viewer has its tiles. Resolves once it is seen, or when it takes too long.
export async function firstPicture(light, roll) {
  const { width, height, sizes } = roll.info;
  const scale = Math.min(light.clientWidth / width, light.clientHeight / height);
  const size = sizes.find((s) => s.width >= width * scale * devicePixelRatio);
  if (!size) return;
  const late = (ms) => new Promise((done) => { setTimeout(done, ms, true); });
  const picture = document.createElement('img');
  picture.className = 'first';
  picture.alt = '';
  picture.src = `${roll.image}/full/${size.width},${size.height}/0/default.jpg`;
  if (await Promise.race([picture.decode().catch(() => true), late(500)])) return;
  // Its pixels are as many of the sheet's as its level says: the last ones may show less than they are wide. A transform is not rounded to whole pixels.
  const shrunk = 2 ** Math.round(Math.log2(width / size.width));
  picture.place = { x: (light.clientWidth - width * scale) / 2, y: (light.clientHeight - height * scale) / 2, scale };
  picture.style.transform = `translate(${picture.place.x}px, ${picture.place.y}px) scale(${scale * shrunk})`;
  light.append(picture);
  await Promise.race([new Promise((done) => { requestAnimationFrame(() => setTimeout(done)); }), late(100)]);
}

export function frameBox(frame) {
  const xs = frame.corners.map((c) => c[0]);
  const ys = frame.corners.map((c) => c[1]);
  const x = Math.min(...xs);
  const y = Math.min(...ys);
  return { x, y, width: Math.max(...xs) - x, height: Math.max(...ys) - y };
}

/// A line as a hand draws it: the same wobble each time it is drawn.
function byHand(points, seed) {
  const path = new Path2D();
  let state = seed * 7919 + 17;
  const shake = () => {
    state = (state * 1103515245 + 12345) % 2147483648;
    return (state / 2147483648 - 0.5) * 0.5;
  };
  let last = null;
  for (const [x, y] of points) {
    if (!last) {
      path.moveTo(x + shake(), y + shake());
    } else {
      const steps = Math.max(2, Math.round(Math.hypot(x - last[0], y - last[1]) / 7));
      for (let i = 1; i <= steps; ++i) {
        const t = (i - 0.5) / steps;
        path.quadraticCurveTo(last[0] + (x - last[0]) * t + shake(), last[1] + (y - last[1]) * t + shake(),
          last[0] + (x - last[0]) * i / steps + shake(), last[1] + (y - last[1]) * i / steps + shake());
      }
    }
    last = [x, y];
  }
  return path;
}

function verdictPath(frame, seed) {
  const b = frameBox(frame);
  const o = 0.9;
  const [l, t, r, u] = [b.x - o, b.y - o, b.x + b.width + o, b.y + b.height + o];
  if (frame.verdict === 'select') return byHand([[l + 3, t], [r, t], [r, u], [l, u], [l, t - 1], [l + 6, t - 0.6]], seed);
  if (frame.verdict === 'kill') return byHand([[l + 1, t + 1], [r - 1, u - 1]], seed);
  return byHand([[l, u - b.height * 0.3], [l, u], [r, u], [r, u - b.height * 0.3]], seed);
}

export class Pane {
  constructor(light, roll) {
    this.light = light;
    this.roll = roll;
    this.sheet = roll.sheet;
    this.current = null;
    this.strokes = roll.ink;
    this.live = null;
    this.element = document.createElement('div');
    this.element.className = 'viewer';
    this.over = document.createElement('canvas');
    this.over.className = 'over';
    this.over.setAttribute('aria-hidden', 'true');
    this.first = light.querySelector('.first');
    light.append(this.element, this.over);
    this.viewer = window.OpenSeadragon({
      element: this.element,
      tileSources: roll.info,  // what its info.json says, without asking once more
      drawer: 'canvas',
      showNavigationControl: false,
      silenceMultiImageWarnings: true,  // for a moment a sheet lies on the one before, exactly
      animationTime: still ? 0 : 0.35,
      springStiffness: 9,
      visibilityRatio: 0.3,
      minZoomImageRatio: 0.8,
      maxZoomPixelRatio: 6,
      zoomPerClick: 1,
      imageLoaderLimit: 12,
      maxTilesPerFrame: 12,
      tileRetryMax: 3,
      tileRetryDelay: 1500,
      gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: false },
      gestureSettingsTouch: { clickToZoom: false, dblClickToZoom: false, pinchRotate: false },
      gestureSettingsPen: { dragToPan: false, clickToZoom: false, dblClickToZoom: false, pinchToZoom: false, flickEnabled: false },
      gestureSettingsUnknown: { clickToZoom: false, dblClickToZoom: false },
    });
    this.viewer.addHandler('canvas-key', (e) => { e.preventDefaultAction = true; });
    for (const name of ['open', 'update-viewport', 'resize', 'animation-finish']) this.viewer.addHandler(name, () => this.draw());
    this.opened = new Promise((resolve, reject) => {
      this.viewer.addOnceHandler('open', () => {
        this.viewer.world.getItemAt(0).addHandler('fully-loaded-change', (e) => { if (e.fullyLoaded) requestAnimationFrame(() => this.uncover()); });
        resolve();
      });
      this.viewer.addOnceHandler('open-failed', () => reject(new Error('this sheet cannot be opened')));
    });
    const canvas = this.viewer.canvas;
    canvas.setAttribute('role', 'group');
    canvas.setAttribute('aria-label', `Sheet of roll ${roll.roll}`);
    this.watch = new ResizeObserver(() => this.draw());
    this.watch.observe(light);
  }

  close() {
    this.closed = true;
    this.watch.disconnect();
    this.viewer.destroy();
  }

  /// The first picture goes when the tiles are there, or when the sheet no longer lies where it shows it.
  uncover() {
    this.first?.remove();
    this.first = null;
  }

  /// Lays a sheet that was made anew over the one before, which goes once it is all there; the view stays.
  lay(image) {
    this.uncover();
    this.roll.image = image;
    const { viewer } = this;
    return new Promise((resolve, reject) => viewer.addTiledImage({
      tileSource: `${image}/info.json`,
      success: ({ item }) => {
        const done = () => {
          clearTimeout(late);
          if (this.closed) return;
          while (viewer.world.getItemCount() > 1) viewer.world.removeItem(viewer.world.getItemAt(0));
          this.draw();
          resolve();
        };
        const late = setTimeout(done, 8000);
        item.addHandler('fully-loaded-change', (e) => { if (e.fullyLoaded) done(); });
      },
      error: () => reject(new Error('this sheet cannot be opened')),
    }));
  }

  /// How large the tiles of the full level are.
  tileSide() {
    const { source } = this.viewer.world.getItemAt(0);
    return source.getTileWidth(source.maxLevel);
  }

  pixels(x, y) {
    const s = this.sheet;
    return new window.OpenSeadragon.Point((x - s.origin[0]) * s.pixels_per_mm, (y - s.origin[1]) * s.pixels_per_mm);
  }

  /// Sleeve millimetres of a point of the window.
  mm(clientX, clientY) {
    const r = this.light.getBoundingClientRect();
    const p = this.viewer.viewport.viewerElementToImageCoordinates(new window.OpenSeadragon.Point(clientX - r.left, clientY - r.top));
    return [p.x / this.sheet.pixels_per_mm + this.sheet.origin[0], p.y / this.sheet.pixels_per_mm + this.sheet.origin[1]];
  }

  screenPerMm() {
    const v = this.viewer.viewport;
    const a = v.imageToViewerElementCoordinates(this.pixels(0, 0));
    const b = v.imageToViewerElementCoordinates(this.pixels(1, 0));
    return b.x - a.x;
  }

  frameAt(x, y) {
    return this.roll.frames.find((f) => {
      const b = frameBox(f);
      return x >= b.x && y >= b.y && x <= b.x + b.width && y <= b.y + b.height;
    });
  }

  show(box, room = 0.12) {
    const a = this.pixels(box.x - box.width * room, box.y - box.height * room);
    const k = this.sheet.pixels_per_mm;
    const r = this.viewer.viewport.imageToViewportRectangle(a.x, a.y, box.width * (1 + 2 * room) * k, box.height * (1 + 2 * room) * k);
    this.viewer.viewport.fitBounds(r, still);
  }

  showAll() { this.viewer.viewport.goHome(still); }

  /// The zoom (screen pixels for one of the sheet's) at which this frame fills the light.
  fit(box, room = 0.12) {
    const k = this.sheet.pixels_per_mm * (1 + 2 * room);
    return Math.min(this.light.clientWidth / (box.width * k), this.light.clientHeight / (box.height * k));
  }

  /// How close: 0 the sheet, 1 a frame, 2 the grain.
  closeness(box) {
    const v = this.viewer.viewport;
    const zoom = v.viewportToImageZoom(v.getZoom(false));
    if (box && zoom > this.fit(box) * 1.3) return 2;
    return v.getZoom(false) > v.getHomeZoom() * 1.3 ? 1 : 0;
  }

  /// One pixel of the sheet a pixel of the screen, or more where that is no closer than the frame.
  grain(box) {
    const v = this.viewer.viewport;
    v.panTo(v.imageToViewportCoordinates(this.pixels(box.x + box.width / 2, box.y + box.height / 2)), still);
    v.zoomTo(v.imageToViewportZoom(Math.max(1 / devicePixelRatio, this.fit(box) * 1.6)), null, still);
  }

  zoom(by) {
    this.viewer.viewport.zoomBy(by, null, still);
    this.viewer.viewport.applyConstraints(still);
  }

  draw() {
    if (this.asked || this.closed) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      if (!this.closed && this.viewer.viewport && this.viewer.world.getItemCount()) this.drawNow();
    });
  }

  drawNow() {
    const width = this.light.clientWidth;
    const height = this.light.clientHeight;
    const ratio = devicePixelRatio || 1;
    if (this.over.width !== Math.round(width * ratio) || this.over.height !== Math.round(height * ratio)) {
      this.over.width = Math.round(width * ratio);
      this.over.height = Math.round(height * ratio);
    }
    const c = this.over.getContext('2d');
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, this.over.width, this.over.height);
    const v = this.viewer.viewport;
    const k = this.screenPerMm();
    const o = v.imageToViewerElementCoordinates(this.pixels(0, 0));
    c.setTransform(k * ratio, 0, 0, k * ratio, o.x * ratio, o.y * ratio);
    if (this.first) {
      const { place } = this.first;
      const corner = v.imageToViewerElementCoordinates(new window.OpenSeadragon.Point(0, 0));
      const wider = (k / this.sheet.pixels_per_mm - place.scale) * this.roll.info.width;
      if (Math.max(Math.abs(corner.x - place.x), Math.abs(corner.y - place.y), Math.abs(wider)) > 1) this.uncover();
    }
    const px = 1 / k;
    const centre = v.viewportToImageCoordinates(v.getCenter(true));
    this.light.dataset.shows = [centre.x, centre.y, v.viewportToImageZoom(v.getZoom(true))].join(' ');  // for whoever looks from outside
    this.beneath?.(c);
    this.marks(c, px);
    this.after?.();
  }

  /// What was marked, drawn in sleeve millimetres; `px`: a pixel of the screen in them.
  marks(c, px) {
    c.lineJoin = c.lineCap = 'round';
    this.roll.frames.forEach((f, i) => {
      if (this.bare) return;
      if (f.crop) {
        const [x, y, w, h] = f.crop;
        c.lineWidth = 3.5 * px; c.strokeStyle = '#17110d'; c.setLineDash([]); c.strokeRect(x, y, w, h);
        c.lineWidth = 1.8 * px; c.strokeStyle = wax.white; c.setLineDash([7 * px, 4 * px]); c.strokeRect(x, y, w, h);
        c.setLineDash([]);
      }
      if (f.verdict) {
        const path = verdictPath(f, i + 1);
        c.lineWidth = Math.max(0.85, 2.5 * px); c.strokeStyle = wax.red; c.globalAlpha = 0.93; c.stroke(path); c.globalAlpha = 1;
      }
      if (f.note) {
        const b = frameBox(f);
        const s = Math.max(2.4, 9 * px);
        c.fillStyle = '#efe7d6'; c.fillRect(b.x + b.width - s, b.y + b.height - s, s, s);
        c.lineWidth = s / 9; c.strokeStyle = '#2b231d';
        for (const t of [0.3, 0.55, 0.8]) { c.beginPath(); c.moveTo(b.x + b.width - s * 0.82, b.y + b.height - s * (1 - t)); c.lineTo(b.x + b.width - s * 0.18, b.y + b.height - s * (1 - t)); c.stroke(); }
      }
    });
    for (const s of this.bare ? [] : this.strokes) {
      s.path ||= outlineOf(s).path;
      c.fillStyle = wax[s.colour]; c.globalAlpha = 0.92; c.fill(s.path);
    }
    if (this.live) { c.fillStyle = wax[this.live.colour]; c.fill(outlineOf(this.live).path); }
    c.globalAlpha = 1;
    if (this.cropDraft) {
      const { x, y, width: w, height: h } = this.cropDraft;
      c.lineWidth = 2 * px; c.strokeStyle = '#f3c873'; c.strokeRect(x, y, w, h);
    }
    if (this.current) {
      const b = frameBox(this.current);
      const g = 3 * px;
      c.lineWidth = 5 * px; c.strokeStyle = '#17110d'; c.strokeRect(b.x - g, b.y - g, b.width + 2 * g, b.height + 2 * g);
      c.lineWidth = 2.5 * px; c.strokeStyle = '#f3c873'; c.strokeRect(b.x - g, b.y - g, b.width + 2 * g, b.height + 2 * g);
    }
  }
}

/// The frame next to `from` in a direction, or null.
export function neighbour(frames, from, direction) {
  const at = (f) => { const b = frameBox(f); return [b.x + b.width / 2, b.y + b.height / 2]; };
  if (!from) return frames[0] || null;
  const [x, y] = at(from);
  const [dx, dy] = { left: [-1, 0], right: [1, 0], up: [0, -1], down: [0, 1] }[direction];
  let best = null;
  let least = Infinity;
  for (const f of frames) {
    if (f === from) continue;
    const [fx, fy] = at(f);
    const along = (fx - x) * dx + (fy - y) * dy;
    const aside = Math.abs((fx - x) * dy) + Math.abs((fy - y) * dx);
    if (along < 4 || aside > along * 1.2) continue;
    const far = along + aside * 2;
    if (far < least) { least = far; best = f; }
  }
  if (best || dx === 0) return best;
  const i = frames.indexOf(from) + dx;  // at the end of a strip to the next one
  return frames[i] || null;
}
