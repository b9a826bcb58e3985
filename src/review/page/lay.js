// One lay as the station sketched it (plan/sketch.h): a drawing whose unit is one millimetre of the bed.

function part(name, about = {}, ...inside) {
  const element = document.createElementNS('http://www.w3.org/2000/svg', name);
  for (const [key, value] of Object.entries(about)) element.setAttribute(key, value);
  element.append(...inside);
  return element;
}
const box = (r, name) => part('rect', { x: r.x, y: r.y, width: r.width, height: r.height, class: name });
const matrix = (m) => `matrix(${m.join(' ')})`;
const at = ([a, b, c, d, e, f], x, y) => [a * x + c * y + e, b * x + d * y + f];

function bounds(m, { width, height }) {
  const corners = [[0, 0], [width, 0], [width, height], [0, height]].map(([x, y]) => at(m, x, y));
  const [xs, ys] = [corners.map((c) => c[0]), corners.map((c) => c[1])];
  const [x, y] = [Math.min(...xs), Math.min(...ys)];
  return { x, y, width: Math.max(...xs) - x, height: Math.max(...ys) - y };
}
function hull(a, b) {
  const [x, y] = [Math.min(a.x, b.x), Math.min(a.y, b.y)];
  return { x, y, width: Math.max(a.x + a.width, b.x + b.width) - x, height: Math.max(a.y + a.height, b.y + b.height) - y };
}
function common(a, b) {
  const [x, y] = [Math.max(a.x, b.x), Math.max(a.y, b.y)];
  return { x, y, width: Math.min(a.x + a.width, b.x + b.width) - x, height: Math.min(a.y + a.height, b.y + b.height) - y };
}
const grown = (r, by) => ({ x: r.x - by, y: r.y - by, width: r.width + 2 * by, height: r.height + 2 * by });

/// The sleeve in its own millimetres.
function sleeve(d, name, lay) {
  const g = part('g', { class: name, transform: matrix(lay) });
  g.append(box({ x: 0, y: 0, ...d.sleeve }, 'page'));
  if (name === 'sleeve') {
    for (const s of d.strips) g.append(box(s, 'strip'));
    for (const f of d.frames) g.append(box(f, 'frame'));
    // Numbered as it is read, so that the way round shows at once: the strips, or the frames that are wanted of them.
    const number = (x, y, size, text, name) => {
      const t = part('text', { x, y: y + size * 0.36, 'font-size': size, class: name });
      t.textContent = text;
      g.append(t);
    };
    const middle = (r) => [r.x + r.width / 2, r.y + r.height / 2, Math.min(r.width, r.height) * 0.62];
    if (!d.wanted.length) d.strips.forEach((s, i) => number(...middle(d.frames[i * d.frames.length / d.strips.length]), i + 1, 'number'));
    for (const w of d.wanted) {
      g.append(part('polygon', { points: w.corners.map((c) => c.join(',')).join(' '), class: 'wanted' }));
      const [xs, ys] = [0, 1].map((n) => w.corners.map((c) => c[n]));
      const frame = { x: Math.min(...xs), y: Math.min(...ys), width: Math.max(...xs) - Math.min(...xs), height: Math.max(...ys) - Math.min(...ys) };
      number(...middle(frame), w.frame, 'number wanted-number');
    }
    for (const [x, y] of d.holes) g.append(part('circle', { cx: x, cy: y, r: d.hole_radius, class: 'hole' }));
  }
  g.append(part('line', { x1: 0, y1: 0, x2: 0, y2: d.sleeve.height, class: 'binding' }));
  return g;
}

/// `shows`: {sleeve: whether one lies there, measured: how it lay or null, good: whether that will do, done: 0 to 1 of the pass or null}.
export function drawLay(stage, legend, d, shows) {
  let svg = stage.querySelector('svg');
  const page = bounds(d.sleeve_to_bed, d.sleeve);
  let whole = hull(d.bed_window, page);
  if (shows.measured) whole = hull(whole, bounds(shows.measured, d.sleeve));
  // Letters stay as large on a phone as on a desk, and leave themselves room. A narrow page is as long as the drawing needs.
  const narrow = matchMedia('(max-width: 52rem)').matches;
  const letter = 14 * Math.max(whole.width / Math.max(120, stage.clientWidth - 90), narrow ? 0 : whole.height / Math.max(120, stage.clientHeight - 90));
  const view = { x: whole.x - letter * 2.2, y: whole.y - letter * 3.4, width: whole.width + letter * 4.4, height: whole.height + letter * 5.8 };
  const key = JSON.stringify([d, shows.sleeve, shows.measured, shows.good, letter.toFixed(2)]);
  if (!svg || svg.dataset.key !== key) {
    svg = part('svg', { viewBox: [view.x, view.y, view.width, view.height].join(' '), role: 'img', 'font-size': letter.toFixed(2) });
    svg.dataset.key = key;
    const side = (s) => (s === 'hinge' ? 'the hinge' : `the ${s}`);
    svg.append(part('title', {}, shows.sleeve
      ? `The sleeve on the bed: its binding edge towards ${side(d.binding)}, its top towards ${side(d.top)}${shows.measured ? '; dashed, how it was seen to lie' : ''}`
      : 'The bed, with nothing to be laid on it'));
    const glass = common(d.reach, grown(whole, letter * 0.6));
    const w = d.bed_window;
    svg.append(box(glass, 'glass'), part('line', { x1: glass.x, x2: glass.x + glass.width, y1: glass.y, y2: glass.y, class: 'hinge' }), box(w, 'window'));
    if (shows.sleeve) svg.append(sleeve(d, 'sleeve', d.sleeve_to_bed));
    svg.append(box(d.captured, 'edge'));
    svg.append(part('rect', { x: d.captured.x, y: d.captured.y, width: d.captured.width, height: 0, class: 'swept' }),
      part('line', { x1: d.captured.x, x2: d.captured.x + d.captured.width, y1: d.captured.y, y2: d.captured.y, class: 'lamp' }));
    if (shows.measured) svg.append(sleeve(d, shows.good ? 'seen good' : 'seen', shows.measured));
    const label = (x, y, text, turn) => {
      if (!text) return;
      const t = part('text', { x, y, class: 'label', ...(turn ? { transform: `rotate(${turn} ${x} ${y})` } : {}) });
      t.textContent = text;
      svg.append(t);
    };
    label(w.x + w.width / 2, Math.min(glass.y, page.y) - letter * (d.top === 'hinge' || d.binding === 'hinge' ? 1.9 : 0.6), 'hinge of the lid');
    if (shows.sleeve) {
      // How far past the window, on the sides that are nearer to it: where a hand measures.
      const p = d.past;
      const nearer = (a, b) => (Math.abs(p[a]) <= Math.abs(p[b]) ? a : b);
      const measured = [nearer('left', 'right'), nearer('hinge', 'front')];
      const names = { [d.binding]: 'binding edge', [d.top]: 'top of the sleeve' };
      const [cx, cy] = [page.x + page.width / 2, page.y + page.height / 2];
      for (const where of ['left', 'right', 'hinge', 'front']) {
        const far = measured.includes(where) && Math.abs(p[where]) >= 0.5 ? `${Math.abs(p[where]).toFixed(1).replace(/\.0$/, '')} mm ${p[where] > 0 ? 'past' : 'inside'}` : '';
        const long = (where === 'left' || where === 'right' ? page.height : page.width) + letter * 3;
        const texts = [[names[where], far && `${far} the window`], [names[where], far], [far || names[where]]].map((t) => t.filter(Boolean).join(', '));
        const text = texts.find((t) => t.length * letter * 0.52 < long) || texts[2];
        const gap = (x1, y1, x2, y2) => { if (far) svg.append(part('line', { x1, y1, x2, y2, class: 'gap' })); };
        if (where === 'left') { gap(page.x, cy, w.x, cy); label(page.x - letter * 0.5, cy, text, -90); }
        if (where === 'right') { gap(w.x + w.width, cy, page.x + page.width, cy); label(page.x + page.width + letter * 0.5, cy, text, 90); }
        if (where === 'hinge') { gap(cx, page.y, cx, w.y); label(cx, page.y - letter * 0.5, text); }
        if (where === 'front') { gap(cx, w.y + w.height, cx, page.y + page.height); label(cx, page.y + page.height + letter * 1.2, text); }
      }
    }
    legend.replaceChildren(...(shows.measured ? ['Dashed: how it was seen to lie'] : []));
    stage.replaceChildren(svg, legend);
  }
  const lamp = svg.querySelector('.lamp');
  const swept = svg.querySelector('.swept');
  lamp.classList.toggle('off', shows.done === null);
  const y = d.captured.y + d.captured.height * (shows.done || 0);
  lamp.setAttribute('y1', y);
  lamp.setAttribute('y2', y);
  swept.setAttribute('height', y - d.captured.y);
}
