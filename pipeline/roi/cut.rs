//! Minimum cut of a graph with two terminals, by augmenting paths on two search trees that are kept between
//! augmentations (Boykov and Kolmogorov, IEEE PAMI 2004). Integer capacities, so the answer is exact and the
//! same everywhere.

use std::collections::VecDeque;

const NONE: u32 = u32::MAX;
const TERMINAL: u32 = u32::MAX - 1;
const ORPHAN: u32 = u32::MAX - 2;

#[derive(Clone, Copy)]
struct Arc {
    head: u32,
    next: u32,
    capacity: i32,
}

#[derive(Clone, Copy)]
struct Node {
    first: u32,
    /// Arc to the parent, from the node's side; or one of the constants.
    parent: u32,
    /// Capacity left from the source (positive) or to the sink (negative).
    terminal: i32,
    in_sink_tree: bool,
    stamp: u32,
    distance: u32,
}

/// The graph; arcs come in pairs, each the reverse of the other.
pub(super) struct Graph {
    nodes: Vec<Node>,
    arcs: Vec<Arc>,
    active: VecDeque<u32>,
    queued: Vec<bool>,
    orphans: Vec<u32>,
    clock: u32,
}

impl Graph {
    pub fn new(nodes: usize, edges: usize) -> Self {
        let node = Node { first: NONE, parent: NONE, terminal: 0, in_sink_tree: false, stamp: 0, distance: 0 };
        Self {
            nodes: vec![node; nodes],
            arcs: Vec::with_capacity(2 * edges),
            active: VecDeque::new(),
            queued: vec![false; nodes],
            orphans: Vec::new(),
            clock: 0,
        }
    }

    /// Cost of putting the node on the sink's side (positive) or on the source's side (negative).
    pub fn prefer_source(&mut self, node: usize, cost: i32) {
        self.nodes[node].terminal = self.nodes[node].terminal.saturating_add(cost);
    }

    /// Cost of putting the two on different sides.
    pub fn join(&mut self, a: usize, b: usize, cost: i32) {
        for (from, to) in [(a, b), (b, a)] {
            let at = self.arcs.len() as u32;
            self.arcs.push(Arc { head: to as u32, next: self.nodes[from].first, capacity: cost });
            self.nodes[from].first = at;
        }
    }

    /// Whether each node is on the source's side of the minimum cut.
    pub fn solve(mut self) -> Vec<bool> {
        for index in 0..self.nodes.len() {
            let node = &mut self.nodes[index];
            if node.terminal != 0 {
                node.in_sink_tree = node.terminal < 0;
                node.parent = TERMINAL;
                node.distance = 1;
                self.activate(index as u32);
            }
        }
        while let Some(&node) = self.active.front() {
            if self.nodes[node as usize].parent == NONE {
                self.active.pop_front();
                self.queued[node as usize] = false;
                continue;
            }
            match self.grow(node) {
                Some(arc) => {
                    self.clock += 1;
                    self.augment(arc);
                    self.adopt();
                }
                None => {
                    self.active.pop_front();
                    self.queued[node as usize] = false;
                }
            }
        }
        self.nodes.iter().map(|node| node.parent != NONE && !node.in_sink_tree).collect()
    }

    fn activate(&mut self, node: u32) {
        if !self.queued[node as usize] {
            self.queued[node as usize] = true;
            self.active.push_back(node);
        }
    }

    /// Capacity left on the arc in the direction flow would take in a tree: away from the source or to the sink.
    fn left(&self, arc: u32, from_sink_tree: bool) -> i32 {
        let arc = if from_sink_tree { arc ^ 1 } else { arc };
        self.arcs[arc as usize].capacity
    }

    /// Extends the tree from an active node; the arc from the source's tree to the sink's where they meet.
    fn grow(&mut self, node: u32) -> Option<u32> {
        let own = self.nodes[node as usize];
        let mut arc = own.first;
        while arc != NONE {
            let Arc { head, next, .. } = self.arcs[arc as usize];
            if self.left(arc, own.in_sink_tree) > 0 {
                let other = self.nodes[head as usize];
                if other.parent == NONE {
                    let new = &mut self.nodes[head as usize];
                    new.in_sink_tree = own.in_sink_tree;
                    new.parent = arc ^ 1;
                    new.stamp = own.stamp;
                    new.distance = own.distance + 1;
                    self.activate(head);
                } else if other.in_sink_tree != own.in_sink_tree {
                    return Some(if own.in_sink_tree { arc ^ 1 } else { arc });
                } else if other.stamp <= own.stamp && other.distance > own.distance + 1 {
                    let new = &mut self.nodes[head as usize];
                    new.parent = arc ^ 1;
                    new.stamp = own.stamp;
                    new.distance = own.distance + 1;
                }
            }
            arc = next;
        }
        None
    }

    /// Nodes from `start` to its terminal: calls `visit` with each tree arc seen from the child.
    fn augment(&mut self, meeting: u32) {
        let sides = [(self.arcs[(meeting ^ 1) as usize].head, false), (self.arcs[meeting as usize].head, true)];
        let mut flow = self.arcs[meeting as usize].capacity;
        for (start, sink) in sides {
            let mut node = start;
            loop {
                let parent = self.nodes[node as usize].parent;
                if parent == TERMINAL {
                    flow = flow.min(self.nodes[node as usize].terminal.abs());
                    break;
                }
                // The parent arc points from the child; flow runs parent to child in the source's tree.
                flow = flow.min(self.left(parent ^ 1, sink));
                node = self.arcs[parent as usize].head;
            }
        }
        self.arcs[meeting as usize].capacity -= flow;
        self.arcs[(meeting ^ 1) as usize].capacity += flow;
        for (start, sink) in sides {
            let mut node = start;
            loop {
                let parent = self.nodes[node as usize].parent;
                if parent == TERMINAL {
                    let terminal = &mut self.nodes[node as usize].terminal;
                    *terminal += if sink { flow } else { -flow };
                    if *terminal == 0 {
                        self.orphan(node);
                    }
                    break;
                }
                let forward = if sink { parent } else { parent ^ 1 };
                self.arcs[forward as usize].capacity -= flow;
                self.arcs[(forward ^ 1) as usize].capacity += flow;
                let next = self.arcs[parent as usize].head;
                if self.arcs[forward as usize].capacity == 0 {
                    self.orphan(node);
                }
                node = next;
            }
        }
    }

    fn orphan(&mut self, node: u32) {
        self.nodes[node as usize].parent = ORPHAN;
        self.orphans.push(node);
    }

    /// Finds a new parent for every orphan, or frees it.
    fn adopt(&mut self) {
        while let Some(node) = self.orphans.pop() {
            let sink = self.nodes[node as usize].in_sink_tree;
            let (mut best, mut nearest) = (NONE, u32::MAX);
            let mut arc = self.nodes[node as usize].first;
            while arc != NONE {
                let Arc { head, next, .. } = self.arcs[arc as usize];
                let other = self.nodes[head as usize];
                // The arc points from the orphan to the would-be parent, flow the other way in the source's tree.
                if other.parent != NONE && other.in_sink_tree == sink && self.left(arc ^ 1, sink) > 0 {
                    let distance = self.distance_to_terminal(head);
                    if distance < nearest {
                        nearest = distance;
                        best = arc;
                    }
                }
                arc = next;
            }
            if best != NONE {
                let clock = self.clock;
                let new = &mut self.nodes[node as usize];
                new.parent = best;
                new.stamp = clock;
                new.distance = nearest + 1;
                continue;
            }
            let mut arc = self.nodes[node as usize].first;
            while arc != NONE {
                let Arc { head, next, .. } = self.arcs[arc as usize];
                let other = self.nodes[head as usize];
                if other.parent != NONE && other.in_sink_tree == sink {
                    if self.left(arc ^ 1, sink) > 0 {
                        self.activate(head);
                    }
                    if other.parent < ORPHAN && self.arcs[other.parent as usize].head == node {
                        self.orphan(head);
                    }
                }
                arc = next;
            }
            self.nodes[node as usize].parent = NONE;
        }
    }

    /// Steps to the terminal, or `u32::MAX` where the way ends at an orphan; marks the way so that it is
    /// walked once per augmentation.
    fn distance_to_terminal(&mut self, start: u32) -> u32 {
        let mut steps = 0;
        let mut node = start;
        let total = loop {
            let here = self.nodes[node as usize];
            if here.stamp == self.clock && here.parent < ORPHAN {
                break steps + here.distance;
            }
            match here.parent {
                TERMINAL => {
                    let clock = self.clock;
                    let here = &mut self.nodes[node as usize];
                    here.stamp = clock;
                    here.distance = 1;
                    break steps + 1;
                }
                ORPHAN | NONE => return u32::MAX,
                parent => {
                    steps += 1;
                    node = self.arcs[parent as usize].head;
                }
            }
        };
        let (mut node, mut distance) = (start, total);
        while self.nodes[node as usize].stamp != self.clock {
            let clock = self.clock;
            let here = &mut self.nodes[node as usize];
            here.stamp = clock;
            here.distance = distance;
            distance -= 1;
            node = match here.parent {
                parent if parent < ORPHAN => self.arcs[parent as usize].head,
                _ => break,
            };
        }
        total
    }
}
