// Pictures of board and site, light and dark, desk and phone: for the README and for eyes.
import assert from 'node:assert/strict';
import { mkdir, stat } from 'node:fs/promises';
import test from 'node:test';
import { fileURLToPath } from 'node:url';
import { someSite, until, withPage } from './support.mjs';

const folder = process.env.SCREENSHOTS ?? fileURLToPath(new URL('../../docs/screenshots/', import.meta.url));
const LARGEST = 250 * 1024;
const site = await someSite();
await mkdir(folder, { recursive: true });

const pages = [
  { name: 'board', path: '/', ready: () => document.documentElement.dataset.live === 'yes' },
  { name: 'site', path: `/site/${site.id}?span=24h`, ready: () => document.querySelectorAll('#charts canvas').length === 5 },
];

for (const { name, path, ready } of pages) {
  for (const colorScheme of ['light', 'dark']) {
    for (const [width, height] of [[1280, name === 'site' ? 1150 : 900], [390, 844]]) {
      test(`a picture of the ${name}, ${colorScheme} at ${width} px`, async () => {
        await withPage({ colorScheme, viewport: { width, height } }, async (page) => {
          await page.goto(path);
          await until(page, ready);
          const file = `${folder}/${name}-${colorScheme}-${width}.png`;
          await page.screenshot({ path: file });
          assert.ok((await stat(file)).size < LARGEST, `${file} is larger than ${LARGEST} bytes`);
        });
      });
    }
  }
}
