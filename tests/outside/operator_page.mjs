// The operator at the bed, by the page alone: operator_page.mjs OUTSIDE URL PLAN.json [FOLDER FOR PICTURES]
// What hands do is asked for with a line "hands: WHAT" and answered by a line of JSON (tests/system/operator_test.py).
import { join } from 'node:path';
import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { accessible as axeOn, check, launch, passed, pause, until } from './browser.mjs';

const [outside, url, planFile, pictures] = process.argv.slice(2);
const plan = JSON.parse(readFileSync(planFile, 'utf8'));

const answers = createInterface({ input: process.stdin })[Symbol.asyncIterator]();
async function hands(what) {
  console.log(`hands: ${what}`);
  return JSON.parse((await answers.next()).value);
}
const near = (a, b, by = 1e-6) => Math.abs(a - b) <= by;

const browser = await launch(outside);
try {
  const context = await browser.newContext({ viewport: { width: 1024, height: 768 } });
  const page = await context.newPage();
  const complaints = [];
  page.on('console', (m) => { if (m.type() === 'error') complaints.push(m.text()); });
  page.on('pageerror', (e) => complaints.push(String(e)));
  const shot = (name, of = page) => (pictures ? of.screenshot({ path: join(pictures, `bed-${name}.png`), fullPage: of !== page }) : null);
  const accessible = (where, of = page) => axeOn(outside, of, where);
  const text = (of) => page.locator(of).textContent();
  const say = () => text('.next h1');
  const wrong = () => text('.wrong');
  const asks = async (pass) => (await page.locator('.the-key').getAttribute('aria-disabled')) === 'false' && (await text('.which')).includes(`pass ${pass} of 2`);
  const lamp = () => page.evaluate(() => {
    const l = document.querySelector('.stage .lamp');
    return l && !l.classList.contains('off') ? { y: Number(l.getAttribute('y1')), done: document.querySelector('.next progress').value, clock: document.querySelector('.clock').textContent } : null;
  });
  /// The drawing in millimetres of the bed, and as large on the screen in both directions.
  const drawn = () => page.evaluate(() => {
    const svg = document.querySelector('.stage svg');
    const of = (name) => { const r = svg.querySelector(name); return Object.fromEntries(['x', 'y', 'width', 'height'].map((n) => [n, Number(r.getAttribute(n))])); };
    const m = svg.getScreenCTM();
    const on = svg.querySelector('.sleeve .page').getScreenCTM();
    const [w, page] = [svg.querySelector('.window').getBoundingClientRect(), svg.querySelector('.sleeve .page')];
    const [width, height] = [page.width.baseVal.value, page.height.baseVal.value];
    const back = m.inverse();
    const corners = [[0, 0], [width, 0], [width, height], [0, height]].map(([x, y]) => new DOMPoint(x, y).matrixTransform(on).matrixTransform(back)).map((p) => [p.x, p.y]);
    return { window: of('.window'), edge: of('.edge'), frames: svg.querySelectorAll('.sleeve .frame').length, scale: [m.a, m.b, m.c, m.d], screen: [w.width, w.height], corners,
      binding: svg.querySelector('title').textContent, matrix: svg.querySelector('.sleeve').getAttribute('transform').match(/-?[\d.e-]+/g).map(Number) };
  });
  const drawingHolds = async (place) => {
    const d = await drawn();
    const planned = plan.passes[place.pass - 1];
    check(`pass ${place.pass}: the drawing is to scale`, near(d.scale[0], d.scale[3]) && near(d.scale[1], 0) && near(d.scale[2], 0) && d.scale[0] > 1, d.scale.join(' '));
    check('the film window has the bed\'s millimetres', near(d.screen[0] / d.scale[0], 203.2, 0.05) && near(d.screen[1] / d.scale[0], 254, 0.05) && near(d.window.width, 203.2), JSON.stringify(d));
    check('what is captured has the plan\'s', ['x', 'y', 'width', 'height'].every((n) => near(d.edge[n], planned.window[n])), JSON.stringify([d.edge, planned.window]));
    check('the sleeve lies as planned', d.matrix.every((v, i) => near(v, planned.sleeve_to_bed[i])) && planned.sleeve_to_bed.every((v, i) => near(v, place.lay.sleeve_to_bed[i])), JSON.stringify([d.matrix, planned.sleeve_to_bed]));
    const [a, b, c, e, x, y] = planned.sleeve_to_bed;
    check('its corners are where the plan has them, on the screen, too',
      [[0, 0], [260, 0], [260, 310], [0, 310]].every(([u, v], i) => near(d.corners[i][0], a * u + c * v + x, 0.01) && near(d.corners[i][1], b * u + e * v + y, 0.01)), JSON.stringify(d.corners));
    check('with all its frames', d.frames === 36);
    check('and every word of the drawing is inside it', await page.evaluate(() => {
      const r = document.querySelector('.stage').getBoundingClientRect();
      return [...document.querySelectorAll('.stage text')].every((t) => { const b = t.getBoundingClientRect(); return b.left >= r.left - 1 && b.top >= r.top - 1 && b.right <= r.right + 1 && b.bottom <= r.bottom + 1; });
    }));
  };

  // Without a station.
  await page.goto(`${url}#/bed`);
  await until('without a station the page says so', async () => (await say()) === 'No station is at work on this archive.');
  check('and how to start one', (await text('.next pre')).includes('lapwright station --key page --archive'));
  check('there is no key to be pressed', !(await page.locator('.the-key').isVisible()));
  check('both rolls wait', (await text('.queue')).includes('harbour 1') && (await text('.queue')).includes('harbour 2'));
  await shot('1-no-station');
  await accessible('the bed without a station');

  // It starts; the sleeve is laid wrong, and the key pressed all the same.
  await hands('start');
  await until('a station that starts is found', () => asks(1));
  const first = await hands('lay aside:38,6');
  check('the sentence is the station\'s', (await say()) === first.say, await say());
  check('it is this roll\'s proof', (await text('.which')) === 'harbour 1: proof, pass 1 of 2');
  await drawingHolds(first);
  check('the binding edge and the top are named', (await text('.stage')).includes('binding edge') && (await text('.stage')).includes('top of the sleeve'));
  await shot('2-place');
  await accessible('a place');
  const second = await hands('second');
  check('another station on the archive gives up as ever', second.code === 75, String(second.code));
  check('and this one keeps its seat', await asks(1));
  await page.keyboard.press('j');  // here already
  await page.keyboard.press(' ');
  await until('the space bar is heard', async () => !(await asks(1)));
  await until('the wrong lay comes back as a sentence', async () => (await wrong()).startsWith('Pass 1 once more. ') && (await asks(1)), 60);
  const again = (await hands('events')).find((e) => e.event === 'again');
  check('which is the station\'s own', (await wrong()).toLowerCase().includes(again.say.toLowerCase()), await wrong());
  check('and an alert', (await page.locator('.wrong').getAttribute('role')) === 'alert');
  const look = (await hands('events')).filter((e) => e.event === 'look').at(-1);
  const ghost = await page.evaluate(() => document.querySelector('.seen')?.getAttribute('transform').match(/-?[\d.e-]+/g).map(Number));
  check('how it was seen to lie is drawn over it', ghost && ghost.every((v, i) => near(v, look.lay.sleeve_to_bed[i])) && look.off_mm > 20, JSON.stringify([ghost, look.off_mm]));
  check('at 1024 x 768 the sentence, the drawing, its legend and the key are seen without scrolling', await page.evaluate(() => ['.next h1', '.stage svg', '.stage figcaption', '.the-key']
    .every((name) => { const r = document.querySelector(name).getBoundingClientRect(); return r.top >= 0 && r.height > 10 && r.bottom <= innerHeight; })));
  await shot('3-again');
  await accessible('a wrong lay');

  // Laid right; the lamp is watched.
  await hands('lay');
  await page.keyboard.press('Enter');
  await until('Enter is heard', async () => !(await asks(1)));
  await until('the lamp is on its way', async () => (await lamp())?.done > 0.05, 60);
  check('the sentence of the try before is gone', (await wrong()) === '', await wrong());
  const seen = [await lamp()];
  await until('it moves over the window', async () => {
    const now = await lamp();
    if (now && now.y > seen.at(-1).y) seen.push(now);
    return seen.length >= 4;
  });
  const w = plan.passes[0].window;
  check('as far as the pass is done', seen.every((s) => near(s.y, w.y + w.height * s.done, 0.01)), JSON.stringify(seen));
  check('with the time that is left and when it will be done', seen.every((s) => /^Done at \d\d:\d\d: \d+ (s|min) left$/.test(s.clock)), seen[0].clock);
  check('a key in between is no key', (await page.locator('.the-key').getAttribute('aria-disabled')) === 'true');
  await page.keyboard.press(' ');
  await shot('4-capture');
  await accessible('a capture');
  await until('pass 2 is asked for', () => asks(2), 60);

  // Pass 2 is cancelled on its way, then made.
  const place2 = await hands('lay');
  await drawingHolds(place2);
  check('how pass 1 lay is not drawn there', await page.evaluate(() => !document.querySelector('.seen')));
  await page.locator('.the-key').click();
  await until('a click on the key is heard', async () => !(await asks(2)));
  await until('the lamp is on its way again', async () => (await lamp())?.done > 0.05, 60);
  await page.getByRole('button', { name: 'Cancel this pass' }).click();
  await until('a cancelled pass is asked for again', async () => (await wrong()).includes('Pass 2 was cancelled') && (await asks(2)), 60);
  await hands('lay');
  await page.locator('.the-key').click();
  await until('the roll leaves the bed and the next one is asked for', async () => (await text('.which')).startsWith('harbour 2: proof, pass 1'), 90);
  await until('its proof lies there once it is done', () => page.evaluate(() => {
    const image = document.querySelector('.last img');
    return document.querySelector('.last span')?.textContent === 'harbour 1' && image.complete && image.naturalWidth > 100;
  }), 120);
  check('what waits is up to date', !(await text('.queue')).includes('harbour'), await text('.queue'));
  await shot('5-proof');
  await accessible('the last proof');

  // A station that is killed, and one that is started again.
  await hands('kill');
  await until('a killed station is noticed', async () => (await say()) === 'No station is at work on this archive.');
  await hands('start');
  await until('and found when it is there again', async () => (await text('.which')).startsWith('harbour 2: proof, pass 1') && (await asks(1)));

  // On a phone, with the keys as they are shown.
  const phone = await (await browser.newContext({ viewport: { width: 390, height: 844 }, hasTouch: true })).newPage();
  await phone.goto(`${url}#/bed`);
  await phone.locator('.stage svg').waitFor();
  check('on a phone nothing needs sideways scrolling', await phone.evaluate(() => document.documentElement.scrollWidth <= 391));
  check('the key is wide and tall there', await phone.evaluate(() => { const r = document.querySelector('.the-key').getBoundingClientRect(); return r.width > 300 && r.height >= 88; }));
  check('and no word of the drawing is cut off', await phone.evaluate(() => {
    const r = document.querySelector('.stage svg').getBoundingClientRect();
    return [...document.querySelectorAll('.stage text')].every((t) => { const b = t.getBoundingClientRect(); return b.left >= r.left - 1 && b.top >= r.top - 1 && b.right <= r.right + 1 && b.bottom <= r.bottom + 1; });
  }));
  await shot('6-phone', phone);
  await accessible('the bed on a phone', phone);
  await phone.context().close();
  await page.keyboard.press('?');
  check('its keys stand among the others', (await text('#key-rows')).includes('At the bed: the one key'));
  await page.locator('[data-action=press]').click();
  await page.keyboard.press('q');
  await page.keyboard.press('Escape');
  check('and can be changed', (await text('.the-key kbd')) === 'q');

  // Its sheet is one click away; the page that is left lets go of the station.
  await page.locator('.last a').click();
  await page.locator('.viewer canvas').first().waitFor();
  check('the last proof opens as a sheet', (await page.locator('.slip h1').textContent()) === 'harbour 1');
  check('the browser had nothing to complain of, the policy included', complaints.length === 0, complaints.join('\n'));
} finally {
  await browser.close();
}
passed();
process.exit(0);
