"""All captures of a part in one frame, or an honest no.

The way, and where each step comes from:

1. **Sides** (``side``, ``rim``). Each capture becomes about 6,000 even samples on the smooth surface through its points
   (weighted quadrics), with normals, and with its open ends marked (angle criterion of Bendels, Schnabel and Klein,
   "Detecting holes in point set surfaces", 2006). What a capture says of empty space is kept as depth pictures from
   all around (``visibility``) and as look-up grids (``field``; Euclidean distance transforms).
2. **Hypotheses** for every pair of sides (``hypotheses``, ``quick``, ``icp``). Oriented point pairs of equal shape
   (Drost, Ulrich, Navab and Ilic, "Model globally, match locally", 2010) give 32,000 guesses, every kind of pair as
   often as every other. One guess a place goes on; 2,500 are settled at once by look-up; they are judged both ways,
   contradiction weighed far above support: the right pose has next to none, and with little overlap it is found by
   that alone. Markers (``markers``) add the poses that equal distances between the two lists allow: maximal cliques
   (Bron and Kerbosch 1973; second-order compatibility is the same idea: Chen et al., "SC2-PCR", 2022), least squares
   (Kabsch 1976).
3. **Evidence** (``evidence``), both ways. For: samples that lie on the other side's surface. Against: samples over or
   under it, and samples where the other side looked through. Nothing is concluded from what lies past an open end or
   beside an edge. What speaks against a right pose lies scattered; a whole patch of it is another surface.
4. **All sides** (``graph``, ``joint``). Beam search over the pairs' hypotheses, every pair judged; then one system of
   normal equations for all poses (Pulli 1999; Krishnan et al. 2005), correspondences in six dimensions (Feldmar and
   Ayache 1996), symmetric point-to-plane residuals (Rusinkiewicz, "A symmetric objective function for ICP", 2019),
   Tukey's biweight whose reach shrinks to the noise.
5. **Verdict** (``solve``, ``twins``, ``verdict``, ``explain``). *Sliding*: the normal matrix (Gelfand et al.,
   "Geometrically stable sampling for the ICP algorithm", 2003) says where to push; a push that does not come back is a
   free motion, named in words. *Twins*: another set of poses, refined as well, that explains as much and is no more
   contradicted; where most open ends stay open, also one that shares little, for two equal ends of a part lie on one
   another without any contradiction: one that slides as well, if it is spotless and as smooth. A pose of as much
   support that slides, unresisted, to where the best one locks is no twin (the logarithm of the motion between them, in
   the sliding one's normal matrix). Motions that the surfaces leave free are the markers' alone. Markers that fall
   together count before the surface, which keeps a veto.

The papers are cited from memory. Thresholds scale with the samples' spacing, the noise and the size of the part.
"""
