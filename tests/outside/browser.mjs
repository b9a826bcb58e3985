// What every test in a real browser begins with: Debian's Chromium driven by playwright-core, axe-core's word on a page, and checks that print a
// line each; the first that fails ends it. OUTSIDE holds the packages of tests/outside/package.json.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { resolve } from 'node:path';

let checks = 0;
export function check(what, held, told = '') {
  if (!held) throw new Error(`${what} ${told}`);
  ++checks;
  console.log(`held: ${what}`);
}
export const passed = () => console.log(`${checks} passed, 0 failed`);

export const pause = (ms) => new Promise((done) => setTimeout(done, ms));
/// What fails meanwhile does not hold yet.
export async function until(what, test, seconds = 60) {
  const end = Date.now() + seconds * 1000;
  let why = '';
  while (Date.now() < end) {
    try {
      if (await test()) return check(what, true);
    } catch (error) {
      why = String(error);
    }
    await pause(50);
  }
  return check(what, false, `not within ${seconds} s ${why}`);
}

export const packages = (outside) => createRequire(resolve(outside, 'package.json'));
export const launch = (outside) => packages(outside)('playwright-core').chromium.launch({
  executablePath: process.env.CHROMIUM || '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});

export async function accessible(outside, page, where) {
  await page.evaluate(readFileSync(packages(outside).resolve('axe-core/axe.min.js'), 'utf8'));
  const found = await page.evaluate(() => window.axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }));
  check(`axe-core has nothing to say about ${where}`, found.violations.length === 0,
    JSON.stringify(found.violations.map((v) => [v.id, v.nodes.map((n) => [n.html.slice(0, 160), n.failureSummary])])));
}
