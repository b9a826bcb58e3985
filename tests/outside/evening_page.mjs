// The choosing of an evening, by the keyboard: evening_page.mjs OUTSIDE URL CHOICES.json [FOLDER FOR PICTURES]
// CHOICES: a list of {roll, address, frame, verdict}; selects are then asked for at full resolution.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { check, launch, passed, until } from './browser.mjs';

const [outside, url, file, pictures] = process.argv.slice(2);
const choices = JSON.parse(readFileSync(file, 'utf8'));
const keys = { select: 's', alt: 'a', kill: 'k' };
const browser = await launch(outside);
try {
  const page = await (await browser.newContext({ viewport: { width: 1180, height: 820 } })).newPage();
  const complaints = [];
  page.on('console', (m) => { if (m.type() === 'error') complaints.push(m.text()); });
  page.on('pageerror', (e) => complaints.push(String(e)));
  await page.goto(url);
  await page.waitForSelector('.proofs li');
  const rolls = [...new Set(choices.map((c) => c.roll))];
  check('every roll lies on the table', await page.locator('.proofs li').count() === rolls.length, String(await page.locator('.proofs li').count()));
  if (pictures) await page.screenshot({ path: join(pictures, 'evening-table.png') });
  for (const roll of rolls) {
    await page.goto(`${url}#/roll/${choices.find((c) => c.roll === roll).address}/`);
    await page.waitForFunction((name) => document.querySelector('.slip h1')?.textContent === name, roll);
    await page.locator('.viewer [aria-label^="Sheet"]').first().focus();
    for (const c of choices.filter((o) => o.roll === roll)) {
      // From frame to frame along the strips, as a hand on the keys goes.
      for (let moves = 0; await page.locator('#frame-pick').inputValue() !== c.frame; ++moves) {
        if (moves > 80) check(`frame ${c.frame} of ${roll} is reached by the keys`, false, await page.locator('#frame-pick').inputValue());
        await page.keyboard.press('ArrowRight');
      }
      await page.keyboard.press(keys[c.verdict]);
      await until(`${roll}, frame ${c.frame}: ${c.verdict} is kept`, async () => (await page.locator('#kept').textContent()) === 'Every mark is kept'
        && (await page.locator(`.verdicts [data-verdict=${c.verdict}]`).getAttribute('aria-pressed')) === 'true');
    }
    if (pictures) await page.screenshot({ path: join(pictures, `evening-${roll}.png`) });
  }
  await page.keyboard.press('w');
  const selects = choices.filter((c) => c.verdict === 'select').length;
  await page.waitForFunction((n) => document.querySelector('.chosen h1')?.textContent === `${n} chosen frames`, selects);
  check('the selects of all rolls lie together', await page.locator('.chosen li').count() === selects);
  const ask = page.getByRole('button', { name: `Ask for ${selects} selects at full resolution` });
  await ask.focus();
  await page.keyboard.press('Enter');
  await until('each waits to be made at full', async () => (await page.locator('.chosen li', { hasText: 'waits to be made at full' }).count()) === selects);
  if (pictures) await page.screenshot({ path: join(pictures, 'evening-chosen.png') });
  check('nothing was complained of', complaints.length === 0, complaints.join('; '));
} finally {
  await browser.close();
}
passed();
