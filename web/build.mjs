// Bundles scripts and styles into dist/, from where build.rs embeds them in the program.
// Names are plain here; the fingerprint is added when they are embedded.
import { copyFile, readdir, rm } from 'node:fs/promises';
import { build } from 'esbuild';

const DIST = new URL('dist/', import.meta.url);

for (const name of await readdir(DIST)) {
  if (name !== '.gitignore') await rm(new URL(name, DIST));
}

await build({
  entryPoints: {
    app: 'styles/app.css',
    theme: 'scripts/theme.js',
    frame: 'scripts/frame.js',
    board: 'scripts/board.js',
    site: 'scripts/site.js',
    study: 'styles/study.css',
    renew: 'scripts/renew.js',
    evidence: 'styles/evidence.css',
  },
  absWorkingDir: new URL('.', import.meta.url).pathname,
  outdir: 'dist',
  bundle: true,
  minify: true,
  format: 'iife',
  target: ['chrome123', 'firefox121', 'safari17.5'],
  legalComments: 'inline',
  logLevel: 'warning',
});

for (const name of ['mark.svg']) {
  await copyFile(new URL(`images/${name}`, import.meta.url), new URL(name, DIST));
}
