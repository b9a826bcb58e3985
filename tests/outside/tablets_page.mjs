// The operator and two tablets at the same time, in a real browser: tablets_page.mjs OUTSIDE URL ROLL [FOLDER FOR PICTURES]
// URL is the operator's; OUTSIDE holds playwright-core, axe-core and zxing-wasm (tests/outside/package.json). Every check prints one line;
// the first that fails ends it. The tablets go on past the browser's warning, as a tablet does that has not installed the authority.
import { join, resolve } from 'node:path';
import { pathToFileURL } from 'node:url';
import { readFileSync } from 'node:fs';
import { accessible as axeOn, check, launch, packages, passed, pause, until } from './browser.mjs';

const [outside, url, roll, pictures] = process.argv.slice(2);
const require = packages(outside);
const { readBarcodes, prepareZXingModule } = await import(pathToFileURL(require.resolve('zxing-wasm/reader')));
await prepareZXingModule({ overrides: { wasmBinary: readFileSync(resolve(outside, 'node_modules/zxing-wasm/dist/reader/zxing_reader.wasm')).buffer }, fireImmediately: true });
const address = encodeURIComponent(roll);

const browser = await launch(outside);
const complaints = [];
const open = async (viewport) => {
  const context = await browser.newContext({ viewport, hasTouch: true, ignoreHTTPSErrors: true });
  const page = await context.newPage();
  page.on('pageerror', (e) => complaints.push(String(e)));
  // What is refused and what is not reached is told by the browser, too; the policy's word is not.
  page.on('console', (m) => { if (m.type() === 'error' && !/Failed to load resource/.test(m.text())) complaints.push(m.text()); });
  return page;
};
const shot = (page, name) => (pictures ? page.screenshot({ path: join(pictures, `${name}.png`) }) : null);
const accessible = (page, where) => axeOn(outside, page, where);
const kept = (page) => page.evaluate(() => document.getElementById('kept').textContent);
const saved = (page) => until('every mark is kept', async () => (await kept(page)) === 'Every mark is kept');
const title = (page) => page.locator('h1').first().textContent();
const status = (page) => page.locator('.note [role=status]').textContent();

try {
  const operator = await open({ width: 1280, height: 1000 });
  const ask = (path) => operator.evaluate(async (p) => (await fetch(p)).json(), path);
  const state = () => ask(`/api/rolls/${address}`);
  await operator.goto(url);
  await operator.getByRole('link', { name: 'Tablets' }).click();
  await operator.getByRole('button', { name: 'A new code' }).waitFor();
  // What stands there before may be the code of a moment ago.
  const newCode = async () => {
    const shown = () => operator.locator('.code').allTextContents();
    const [before] = await shown();
    await operator.getByRole('button', { name: 'A new code' }).click();
    await until('a new code stands there', async () => { const [now] = await shown(); return now && now !== before; });
  };
  await newCode();
  await until('the square has come', () => operator.evaluate(() => { const i = document.querySelector('.square'); return i.complete && i.naturalWidth > 0; }));
  const code = await operator.locator('.code').textContent();
  const site = (await ask('/api/tablets')).url;
  const [square] = await readBarcodes(new Uint8Array(await operator.locator('.square').screenshot()), { formats: ['QRCode'], maxNumberOfSymbols: 1 });
  check('an outside reader reads the square on the operator’s page', square?.text === `${site}#/pair/${code}`, square?.text);
  await shot(operator, 'tablets-1-operator');
  await accessible(operator, 'the operator’s view of tablets');

  // The first tablet follows the square; the operator is on another view and hears of it.
  await operator.getByRole('link', { name: 'The table' }).click();
  const one = await open({ width: 1100, height: 800 });
  await one.goto(square.text);
  await until('the tablet waits and says so', async () => (await status(one)).startsWith('Waiting: somebody at the station has to admit tablet '));
  check('the code is not in its address any more', !one.url().includes(code) && !(await one.evaluate(() => location.href)).includes(code), one.url());
  const name = (await status(one)).match(/tablet ([0-9A-Z]{6})/)[1];
  await shot(one, 'tablets-2-waiting');
  await accessible(one, 'the pairing place');
  await until('the operator hears of it on any view', async () => (await operator.locator('[data-place=tablets]').textContent()) === 'Tablets: 1 asks');
  await operator.locator('[data-place=tablets]').click();
  await operator.getByRole('heading', { name: new RegExp(`^Tablet ${name}, [0-9.]+, asks to be let in$`) }).waitFor();
  await shot(operator, 'tablets-3-asks');
  await accessible(operator, 'a tablet that asks');
  await operator.getByRole('button', { name: 'Admit it' }).click();
  await until('admitted, it is at the table', async () => (await title(one)) === 'Proofs on the table');
  check('and has a name', (await one.locator('#me').textContent()) === `Tablet ${name}`);
  check('what is the operator’s is not shown to it', !(await one.locator('[data-place=tablets]').isVisible()) && await operator.locator('[data-place=tablets]').isVisible());
  check('its cookie is not for scripts', (await one.evaluate(() => document.cookie)) === '');
  check('the connection is good for pens', await one.evaluate(() => isSecureContext && typeof PointerEvent.prototype.getCoalescedEvents === 'function'));
  await until('with pictures', () => one.evaluate(() => [...document.querySelectorAll('.proofs img')].every((i) => i.complete && i.naturalWidth > 60)));
  await shot(one, 'tablets-4-table');

  // The second types the code.
  const two = await open({ width: 820, height: 1100 });
  await two.goto(site);
  await until('another tablet is told that it is not let in', async () => (await title(two)) === 'This tablet is not let in yet');
  const pair = async (page) => {
    await newCode();
    await page.getByLabel('The code that the station shows').fill((await operator.locator('.code').textContent()).toLowerCase());
    await page.getByRole('button', { name: 'Ask to be let in' }).click();
    await operator.getByRole('button', { name: 'Admit it' }).click();
  };
  await two.getByLabel('The code that the station shows').fill('00000000');
  await two.getByRole('button', { name: 'Ask to be let in' }).click();
  await until('a wrong code is told', async () => (await status(two)).startsWith('Not taken: this code is not right'));
  await pair(two);
  await until('with the right one it is let in', async () => (await title(two)) === 'Proofs on the table');

  // Both look at one frame; what one marks the other sees.
  const frames = (await state()).frames;
  const frame = frames[3].frame;
  for (const page of [one, two]) {
    await page.goto(`${site}#/roll/${address}/${encodeURIComponent(frame)}`);
    await page.locator('.viewer canvas').first().waitFor();
  }
  await one.getByRole('button', { name: 'alt', exact: true }).click();
  await one.locator('#note').fill('<b>left</b> one <img src=x onerror=alert(1)>');
  await one.locator('#note').blur();
  await saved(one);
  const look = (page) => page.evaluate(() => document.dispatchEvent(new Event('visibilitychange')));  // as when it is looked at again
  await look(two);
  await until('the second tablet shows what the first marked', async () => (await two.locator('[data-verdict=alt]').getAttribute('aria-pressed')) === 'true');
  check('a note is text and nothing else (3.2.2)', (await two.locator('#note').inputValue()).startsWith('<b>left</b>') && (await two.locator('img[src=x]').count()) === 0);
  await shot(two, 'tablets-5-second');

  // Not reached for a while: nothing is lost.
  const draw = async (page) => {
    await page.locator('.light').first().evaluate((e) => e.scrollIntoView());
    const b = await page.locator('.light').first().boundingBox();
    const cdp = await page.context().newCDPSession(page);
    const at = (i, type) => ({ type, x: b.x + b.width / 2 - 60 + 6 * i, y: b.y + b.height / 2 + 4 * Math.sin(i), button: 'left', buttons: type === 'mouseReleased' ? 0 : 1, pointerType: 'pen', force: 0.5, clickCount: 1 });
    await cdp.send('Input.dispatchMouseEvent', at(0, 'mousePressed'));
    for (let i = 1; i < 20; ++i) await cdp.send('Input.dispatchMouseEvent', at(i, 'mouseMoved'));
    await cdp.send('Input.dispatchMouseEvent', at(19, 'mouseReleased'));
    await cdp.detach();
  };
  const before = (await state()).ink.length;
  await one.context().setOffline(true);
  await draw(one);
  await one.getByRole('button', { name: 'select', exact: true }).click();
  await until('what waits is counted on the tablet', async () => (await kept(one)) === '2 marks not saved yet');
  await two.getByRole('button', { name: 'broad' }).click();
  await draw(two);
  await saved(two);
  await one.context().setOffline(false);
  await saved(one);
  let now = await state();
  check('reached again, the station has the marks of both', now.ink.length === before + 2 && now.frames[3].verdict === 'select', `${now.ink.length} ${now.frames[3].verdict}`);

  // Forgotten with marks waiting: they are sent after pairing again.
  await two.context().setOffline(true);
  await draw(two);
  await two.getByRole('button', { name: 'kill', exact: true }).click();
  await until('two marks wait', async () => (await kept(two)) === '2 marks not saved yet');
  const second = (await two.locator('#me').textContent()).split(' ')[1];
  await operator.getByRole('button', { name: `Forget tablet ${second}` }).click();
  await until('the operator’s list has one tablet less', async () => (await operator.locator('.letting').textContent()).includes('1 tablet may come in'));
  await two.context().setOffline(false);
  await until('the tablet comes to the pairing place by itself', async () => (await title(two)) === 'This tablet is not let in yet');
  check('and says what waits', (await two.locator('.note').first().textContent()).includes('2 marks wait on this tablet') && (await kept(two)) === '2 marks not saved yet', await kept(two));
  check('the station has not got them', (await state()).ink.length === now.ink.length);
  await shot(two, 'tablets-6-forgotten');
  await pair(two);
  await two.locator('.viewer canvas').first().waitFor();
  await saved(two);
  const after = await state();
  check('let in again, it has sent them', after.ink.length === now.ink.length + 1 && after.frames[3].verdict === 'kill', `${after.ink.length} ${after.frames[3].verdict}`);

  // Captures are asked for at the station only.
  await one.getByRole('button', { name: 'select', exact: true }).click();
  await saved(one);
  for (const page of [one, operator]) { await page.getByRole('link', { name: 'Chosen frames' }).click(); await page.locator('.chosen li').first().waitFor(); }
  check('the operator can ask for frames at full, a tablet cannot', await operator.getByRole('button', { name: /at full resolution$/ }).isVisible() && !(await one.getByRole('button', { name: /at full resolution$/ }).isVisible()));

  await one.getByRole('button', { name: 'Leave' }).click();
  await until('who leaves is out', async () => (await title(one)) === 'This tablet is not let in yet');
  check('and has no cookie left', !(await one.context().cookies()).some((c) => c.name === '__Host-lapwright'));
  await one.setViewportSize({ width: 320, height: 640 });
  check('at 320 pixels nothing needs sideways scrolling', await one.evaluate(() => document.documentElement.scrollWidth <= 321), String(await one.evaluate(() => document.documentElement.scrollWidth)));
  await shot(one, 'tablets-7-small');
  check('the browser had nothing to complain of, the policy included', complaints.length === 0, complaints.join('\n'));
} finally {
  await browser.close();
}
passed();
