//! The logical structure of the document (its tags), built while it is laid out and filled with
//! content identifiers while it is drawn.

use std::num::{NonZeroU16, NonZeroU32};

use krilla::tagging::{
    BBox, Identifier, ListNumbering, Node as TagNode, Placement, TableHeaderScope, Tag, TagGroup,
    TagKind, TagTree,
};

use super::model::{Language, Level};

/// A structure element, by its place in the [`Structure`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct NodeId(u32);

/// What an element is.
#[derive(Clone, Debug)]
pub(super) enum Role {
    Title,
    Heading { level: Level, title: String },
    Paragraph,
    Group,
    List,
    ListItem,
    Label,
    ListBody,
    Table,
    Caption,
    TableHead,
    TableBody,
    TableRow,
    ColumnHeading,
    RowHeading,
    Cell { columns: u32 },
    Figure { alt: String },
}

enum Child {
    Node(NodeId),
    Content(Identifier),
}

struct Node {
    role: Role,
    children: Vec<Child>,
    /// Where a figure is drawn.
    bounds: Option<BBox>,
}

/// The tree of elements, in reading order.
#[derive(Default)]
pub(super) struct Structure {
    nodes: Vec<Node>,
    top: Vec<NodeId>,
}

impl Structure {
    /// Adds an element at the top of the document.
    pub(super) fn top(&mut self, role: Role) -> NodeId {
        let id = self.push(role);
        self.top.push(id);
        id
    }

    /// Adds an element inside another, behind what is there.
    pub(super) fn within(&mut self, parent: NodeId, role: Role) -> NodeId {
        let id = self.push(role);
        self.nodes[parent.0 as usize].children.push(Child::Node(id));
        id
    }

    /// Ties drawn content to its element.
    pub(super) fn fill(&mut self, id: NodeId, content: Identifier, bounds: Option<BBox>) {
        let node = &mut self.nodes[id.0 as usize];
        node.children.push(Child::Content(content));
        node.bounds = node.bounds.or(bounds);
    }

    /// The tag tree to write.
    pub(super) fn into_tree(mut self, language: Language) -> TagTree {
        let children = self.top.clone().into_iter().map(|id| self.group(id).into()).collect();
        TagTree { children, lang: Some(language.tag().to_owned()) }
    }

    fn push(&mut self, role: Role) -> NodeId {
        let id = NodeId(u32::try_from(self.nodes.len()).expect("fewer elements than PDF objects"));
        self.nodes.push(Node { role, children: Vec::new(), bounds: None });
        id
    }

    fn group(&mut self, id: NodeId) -> TagGroup {
        let node = &mut self.nodes[id.0 as usize];
        let tag = node.role.tag(node.bounds);
        let children = std::mem::take(&mut node.children)
            .into_iter()
            .map(|child| match child {
                Child::Content(content) => TagNode::Leaf(content),
                Child::Node(id) => TagNode::Group(self.group(id)),
            })
            .collect();
        TagGroup::with_children(tag, children)
    }
}

impl Role {
    fn tag(&self, bounds: Option<BBox>) -> TagKind {
        match self {
            Role::Title => Tag::Title.into(),
            Role::Heading { level, title } => {
                let number = NonZeroU16::new(level.number()).expect("levels start at 1");
                Tag::Hn(number, Some(title.clone())).into()
            }
            Role::Paragraph => Tag::P.into(),
            Role::Group => Tag::Div.into(),
            Role::List => Tag::L(ListNumbering::None).into(),
            Role::ListItem => Tag::LI.into(),
            Role::Label => Tag::Lbl.into(),
            Role::ListBody => Tag::LBody.into(),
            Role::Table => Tag::Table.into(),
            Role::Caption => Tag::Caption.into(),
            Role::TableHead => Tag::THead.into(),
            Role::TableBody => Tag::TBody.into(),
            Role::TableRow => Tag::TR.into(),
            Role::ColumnHeading => Tag::TH(TableHeaderScope::Column).into(),
            Role::RowHeading => Tag::TH(TableHeaderScope::Row).into(),
            Role::Cell { columns: 1 } => Tag::TD.into(),
            Role::Cell { columns } => Tag::TD.with_col_span(NonZeroU32::new(*columns)).into(),
            Role::Figure { alt } => {
                let mut tag = Tag::Figure(Some(alt.clone())).with_bbox(bounds);
                tag.as_any_mut().set_placement(Some(Placement::Block));
                tag.into()
            }
        }
    }
}
